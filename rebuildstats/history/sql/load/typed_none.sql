-- A table of which this load has no row.
create or replace temp table {typed} (_row BIGINT, _waiting BIGINT, _notes VARCHAR, {columns})
