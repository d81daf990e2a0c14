-- Stored rows that changed move to the rows of the past.
insert into past.{table} by name
select g.*, $load as _until_load, $now as _until, $who as _who, 'replaced' as _why
from {table} g
where exists (select 1 from {typed} t join verdict v using (_row) where v.outcome = 'changed' and {equal})
