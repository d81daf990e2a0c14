-- What became of the rows of a load.
insert into load_counts by name
select $load as load, "table" as table_name, read, new, changed, same, rejected, held, blank from counts
