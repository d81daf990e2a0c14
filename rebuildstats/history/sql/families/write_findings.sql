-- a row is a finding, in the folder of its unit's family
copy (
    select k.*, p.place from known_findings as k inner join job_places as p using (job)
) to {folder} (format parquet, partition_by (place), overwrite_or_ignore)
