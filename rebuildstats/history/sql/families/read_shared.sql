-- a row is a row of a table that every family needs whole, in the order of the store
create or replace temp table {table} as
select * from read_parquet($files, hive_partitioning = false)
