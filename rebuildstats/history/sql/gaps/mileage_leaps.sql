-- A row per stretch between two teardowns of one unit, by its given mileages, that no unit covers in that time: further a day than
-- any vehicle runs, or (over two weeks and more) four times further a day than nine in ten stretches of this fleet.
with steps as (
  select unit, job, opened_on, unit_mileage,
    lag(opened_on) over w as opened_before, lag(unit_mileage) over w as mileage_before,
    opened_on - lag(opened_on) over w as days, unit_mileage - lag(unit_mileage) over w as distance
  from known_teardowns where unit_mileage is not null window w as (partition by unit order by opened_on, unit_mileage)
), usual as (
  select 4 * quantile_cont(distance / days, 0.9) as most from steps where days >= 14 having count(*) >= 50
)
select unit || ': ' || mileage_before::BIGINT || ' on ' || opened_before || ', ' || unit_mileage::BIGINT || ' on ' || opened_on
  || ' (' || job || ')' as example
from steps left join usual on steps.days >= 14
where distance > least($most_a_day, coalesce(most, $most_a_day)) * greatest(days, 1)
order by distance / greatest(days, 1) desc, unit
