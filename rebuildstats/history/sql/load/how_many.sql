-- How many rows.
select count(*) from {relation}
