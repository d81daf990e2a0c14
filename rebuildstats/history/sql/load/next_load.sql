-- The number of the next load.
select coalesce(max(load), 0) + 1 from loads
