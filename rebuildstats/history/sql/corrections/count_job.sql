-- How many rows of a table belong to one job.
select count(*) from {table} where job = $job
