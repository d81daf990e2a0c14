-- A row per stretch between two readings of one meter that no vehicle covers in that time.
with steps as (
  select vehicle, meter, read_on, odometer,
    lag(read_on) over w as read_before, lag(odometer) over w as odometer_before
  from known_odometers window w as (partition by vehicle, meter order by read_on)
)
select vehicle || ': ' || odometer_before::BIGINT || ' on ' || read_before || ', ' || odometer::BIGINT || ' on ' || read_on as example
from steps
where odometer - odometer_before > $most_a_day * greatest(read_on - read_before, 1)
order by (odometer - odometer_before) / greatest(read_on - read_before, 1) desc, vehicle
