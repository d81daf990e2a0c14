-- a row is an odometer reading, in the folder of every family that its vehicle ran a unit of
copy (
    select k.*, p.place from known_odometers as k inner join vehicle_places as p using (vehicle)
) to {folder} (format parquet, partition_by (place), overwrite_or_ignore)
