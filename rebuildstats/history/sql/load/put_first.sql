-- All rows of a table that was empty go in.
insert into {table} by name
select {columns}, $load as _load, _notes from {typed} t
