-- All rows of a table that was empty go in.
insert into {table} by name
select {columns}, $load as _load, $load as _since, _notes from {typed} t
