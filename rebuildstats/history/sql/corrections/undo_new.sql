-- The rows that a load wrote leave the present for the past.
insert into past.{table} by name
select g.*, $load as _until_load, $now as _until, $who as _who, 'undone' as _why from {table} g where _load = $undone
