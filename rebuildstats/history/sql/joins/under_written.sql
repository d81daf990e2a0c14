-- ... and stand there again under the name as it was written, without the note.
insert into {table} by name
select g.* replace (
  $dropped as {column}, $load as _load, $load as _since,
  nullif(json_merge_patch(g._notes, json_object({written}, null))::VARCHAR, '{}') as _notes
)
from {table} g
where {column} = $kept and json_extract_string(g._notes, {path}) = $dropped and not exists (select 1 from {table} k where {equal})
