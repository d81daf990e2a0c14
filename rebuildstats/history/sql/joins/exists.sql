-- How many rows of a table have a name in a column.
select count(*) from {table} where {column} = $name
