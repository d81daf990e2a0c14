-- One row: how many cells a Parquet file says it holds.
select coalesce(max(num_rows), 0) * (select count(*) from parquet_schema($path) where num_children is null) from parquet_file_metadata($path)
