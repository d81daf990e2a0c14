-- ... and stand there again under the name that is kept, where no row has that key already, with a note of the name as it was written.
insert into {table} by name
select g.* replace (
  $kept as {column}, $load as _load, $load as _since,
  json_merge_patch(coalesce(g._notes, '{}'), json_object({written}, $dropped))::VARCHAR as _notes
)
from {table} g
where {column} = $dropped and not exists (select 1 from {table} k where {equal})
