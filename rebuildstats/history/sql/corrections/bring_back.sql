-- The rows that a load replaced or withdrew stand in the present again, since the undoing.
insert into {table} by name
select * exclude (_since, _until_load, _until, _who, _why), $load as _since
from past.{table} g
where _until_load = $undone and _why <> 'undone'
  -- A row that came in since then stays.
  and not exists (select 1 from {table} k where {equal})
