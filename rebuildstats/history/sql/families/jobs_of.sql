-- a row is a teardown with the number of its unit's family
create or replace temp table job_places as
select t.job, p.place
from known_teardowns as t
inner join unit_places as p using (unit)
