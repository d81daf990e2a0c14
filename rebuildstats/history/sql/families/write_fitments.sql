-- a row is a stay of a unit in a vehicle, in the folder of the unit's family
copy (
    select k.*, p.place from known_fitments as k inner join unit_places as p using (unit)
) to {folder} (format parquet, partition_by (place), overwrite_or_ignore)
