-- A row per teardown whose unit mileage is not given and cannot follow from fitments and odometers.
select t.job || ' (unit ' || t.unit || ')' as example
from known_teardowns t
where t.unit_mileage is null
  and not exists (
    select 1 from known_fitments f
    where f.unit = t.unit and f.fitted_on <= t.opened_on
      and (f.fitted_odometer is not null or exists (select 1 from known_odometers o where o.vehicle = f.vehicle))
  )
order by t.opened_on desc, t.job
