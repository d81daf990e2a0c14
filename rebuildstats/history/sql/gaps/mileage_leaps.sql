-- A row per stretch between two teardowns of one unit, by its given mileages, that no unit covers in that time.
with steps as (
  select unit, job, opened_on, unit_mileage,
    lag(opened_on) over w as opened_before, lag(unit_mileage) over w as mileage_before
  from known_teardowns where unit_mileage is not null window w as (partition by unit order by opened_on, unit_mileage)
)
select unit || ': ' || mileage_before::BIGINT || ' on ' || opened_before || ', ' || unit_mileage::BIGINT || ' on ' || opened_on
  || ' (' || job || ')' as example
from steps
where unit_mileage - mileage_before > $most_a_day * greatest(opened_on - opened_before, 1)
order by (unit_mileage - mileage_before) / greatest(opened_on - opened_before, 1) desc, unit
