-- A name that never had a row of its own gets one like that of the name it was joined to, since rows stand under it now.
insert into {table} by name
select g.* replace ($dropped as {column}, $load as _load, $load as _since, json_object('copied from', $kept)::VARCHAR as _notes)
from {table} g
where {column} = $kept and not exists (select 1 from {table} k where k.{column} = $dropped)
