-- the rows of a table that every family needs whole, in their order (or none of them, for its columns)
copy (select * from {table} limit {most}) to {file} (format parquet)
