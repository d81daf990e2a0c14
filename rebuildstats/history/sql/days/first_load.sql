-- one row: the moment of the first load (UTC), NULL where there is none
select min(loaded_at) as first_load from loads
