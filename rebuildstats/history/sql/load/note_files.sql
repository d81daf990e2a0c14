-- The files of a load.
insert into load_files by name
select $load as load, file, path, table_name, bytes, sha256, rows_read from files join told_files using (_file)
