-- One row: how many bytes of text the cells of a Parquet file come to.
select coalesce(sum(strlen(concat_ws('', *columns(*)))), 0) from read_parquet($path)
