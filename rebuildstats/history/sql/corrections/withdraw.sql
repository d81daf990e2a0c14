-- The rows of one job leave the present of a table for the past.
insert into past.{table} by name
select g.*, $load as _until_load, $now as _until, $who as _who, 'withdrawn' as _why from {table} g where job = $job
