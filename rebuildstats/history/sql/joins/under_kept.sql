-- ... and stand there again under the name that is kept, where no row has that key already.
insert into {table} by name
select g.* replace ($kept as {column}, $load as _load, $load as _since)
from {table} g
where {column} = $dropped and not exists (select 1 from {table} k where {equal})
