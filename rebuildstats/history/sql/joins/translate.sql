-- Names of this load that were joined to others are read as those.
update {typed} set {column} = j.kept
from joined_names j
where j.undone_by is null and j.kind = $kind and {typed}.{column} = j.name
returning {typed}._row
