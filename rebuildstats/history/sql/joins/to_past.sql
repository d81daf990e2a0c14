-- Rows under the name that is given up leave the present for the past.
insert into past.{table} by name
select g.*, $load as _until_load, $now as _until, $who as _who, 'joined' as _why from {table} g where {column} = $dropped
