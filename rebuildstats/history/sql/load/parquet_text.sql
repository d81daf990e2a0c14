-- A Parquet file as text cells.
select columns(*)::VARCHAR from read_parquet($path)
