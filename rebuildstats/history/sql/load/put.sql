-- New and changed rows go in.
insert into {table} by name
select {columns}, $load as _load, $load as _since, v.notes as _notes
from {typed} t join verdict v using (_row)
where v.outcome <> 'same'
