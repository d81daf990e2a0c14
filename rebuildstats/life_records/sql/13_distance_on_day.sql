-- a row is a vehicle's distance on a day asked for: between two readings by straight line, after the last one the
-- last, before the first one back along the line from first to last
create or replace temp table distance_on_day as
with ends as (
    select
        vehicle,
        min(read_on) as first_on,
        max(read_on) as last_on,
        arg_min(distance, read_on) as first_distance,
        arg_max(distance, read_on) as last_distance
    from vehicle_line
    group by vehicle
),
before as (
    select a.vehicle, a.day, l.read_on, l.distance
    from days_asked as a
    asof inner join vehicle_line as l on a.vehicle = l.vehicle and a.day >= l.read_on
),
after as (
    select a.vehicle, a.day, l.read_on, l.distance
    from days_asked as a
    asof inner join vehicle_line as l on a.vehicle = l.vehicle and a.day <= l.read_on
)
select
    a.vehicle,
    a.day,
    case
        when a.day >= e.last_on then e.last_distance
        when a.day <= e.first_on
            then e.first_distance
                - (e.first_on - a.day) * coalesce((e.last_distance - e.first_distance) / nullif(e.last_on - e.first_on, 0), 0)
        when after.read_on = before.read_on then before.distance
        else before.distance
            + (a.day - before.read_on) * (after.distance - before.distance) / nullif(after.read_on - before.read_on, 0)
    end as distance
from days_asked as a
inner join ends as e using (vehicle)
left join before using (vehicle, day)
left join after using (vehicle, day)
