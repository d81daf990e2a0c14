-- The given mileages of one unit that fall from one teardown to the next.
select job from (
  select job, unit_mileage < lag(unit_mileage) over (order by opened_on, unit_mileage) as falls
  from teardowns where unit = $kept and unit_mileage is not null
) where falls
