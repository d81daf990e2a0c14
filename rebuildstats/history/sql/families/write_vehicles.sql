-- a row is a vehicle, in the folder of every family that it ran a unit of
copy (
    select k.*, p.place from known_vehicles as k inner join vehicle_places as p using (vehicle)
) to {folder} (format parquet, partition_by (place), overwrite_or_ignore)
