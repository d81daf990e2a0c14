-- a row is a vehicle that a family speaks for, in that family's folder
copy (
    select vehicle, place from vehicle_owners
) to {folder} (format parquet, partition_by (place), overwrite_or_ignore)
