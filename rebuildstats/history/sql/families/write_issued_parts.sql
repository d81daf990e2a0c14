-- a row is a slip line, in the folder of its job's family; one without a known job in that of a family by its part
copy (
    select k.*, coalesce(p.place, (hash(k.part) % (select count(*) from family_numbers))::integer) as place
    from known_issued_parts as k
    left join job_places as p using (job)
) to {folder} (format parquet, partition_by (place), overwrite_or_ignore)
