-- All rows of a table as another database holds them.
insert into {table} by name from {source}
