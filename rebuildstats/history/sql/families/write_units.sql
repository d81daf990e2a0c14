-- a row is a unit, in the folder of its family
copy (
    select k.*, p.place from known_units as k inner join unit_places as p using (unit)
) to {folder} (format parquet, partition_by (place), overwrite_or_ignore)
