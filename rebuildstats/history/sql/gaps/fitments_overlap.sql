-- A row per unit that stands in two vehicles at once.
select a.unit || ': in ' || a.vehicle || ' from ' || a.fitted_on || ', in ' || b.vehicle || ' from ' || b.fitted_on as example
from known_fitments a join known_fitments b
  on a.unit = b.unit and (a.fitted_on, a.vehicle) < (b.fitted_on, b.vehicle)
where coalesce(a.removed_on, date '9999-12-31') > b.fitted_on
order by a.unit, b.fitted_on
