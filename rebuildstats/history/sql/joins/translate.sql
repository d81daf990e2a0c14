-- Names of this load that were joined to others are read as those; the name as it was written is noted, so that a join can be undone.
update {typed} set {column} = j.kept, _notes = json_merge_patch(coalesce(_notes, '{}'), json_object({written}, j.name))::VARCHAR
from joined_names j
where j.undone_by is null and j.kind = $kind and {typed}.{column} = j.name
returning {typed}._row
