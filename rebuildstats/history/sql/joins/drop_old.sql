-- ... under the old name they are no rows of the present any more.
delete from {table} where {column} = $dropped
