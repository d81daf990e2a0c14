-- A table as another database holds it.
create table {table} as from {source}
