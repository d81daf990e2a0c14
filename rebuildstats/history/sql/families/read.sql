-- a row is a row of one table of one family, in an order that does not hang on how it was written
create or replace temp table {table} as
select * from read_parquet($files, hive_partitioning = false) order by all
