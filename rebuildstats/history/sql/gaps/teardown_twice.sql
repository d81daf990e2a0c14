-- A row per pair of jobs that open one unit on one day at one mileage: one job written down twice.
select a.job || ' and ' || b.job || ': unit ' || a.unit || ' on ' || a.opened_on as example
from known_teardowns a join known_teardowns b on a.unit = b.unit and a.opened_on = b.opened_on and a.job < b.job
where a.unit_mileage is not distinct from b.unit_mileage
order by a.opened_on desc, example
