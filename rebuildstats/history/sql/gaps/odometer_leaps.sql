-- A row per stretch between two readings of one meter that no vehicle covers in that time: further a day than any vehicle runs,
-- or (over two weeks and more) four times further a day than nine in ten stretches of this fleet.
with steps as (
  select vehicle, meter, read_on, odometer,
    lag(read_on) over w as read_before, lag(odometer) over w as odometer_before,
    read_on - lag(read_on) over w as days, odometer - lag(odometer) over w as distance
  from known_odometers window w as (partition by vehicle, meter order by read_on)
), usual as (
  select 4 * quantile_cont(distance / days, 0.9) as most from steps where days >= 14 having count(*) >= 50
)
select vehicle || ': ' || odometer_before::BIGINT || ' on ' || read_before || ', ' || odometer::BIGINT || ' on ' || read_on as example
from steps left join usual on steps.days >= 14
where distance > least($most_a_day, coalesce(most, $most_a_day)) * greatest(days, 1)
order by distance / greatest(days, 1) desc, vehicle
