-- a row is a teardown, in the folder of its unit's family
copy (
    select k.*, p.place from known_teardowns as k inner join unit_places as p using (unit)
) to {folder} (format parquet, partition_by (place), overwrite_or_ignore)
