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
steps as (
    select
        vehicle,
        read_on,
        distance,
        lead(read_on) over line as next_read_on,
        lead(distance) over line as next_distance
    from vehicle_line
    window line as (partition by vehicle order by read_on)
)
select
    a.vehicle,
    a.day,
    case
        when a.day >= e.last_on then e.last_distance
        when a.day <= e.first_on
            then e.first_distance
                - (e.first_on - a.day) * coalesce((e.last_distance - e.first_distance) / nullif(e.last_on - e.first_on, 0), 0)
        when a.day = s.read_on then s.distance
        else s.distance + (a.day - s.read_on) * (s.next_distance - s.distance) / nullif(s.next_read_on - s.read_on, 0)
    end as distance
from days_asked as a
inner join ends as e using (vehicle)
asof left join steps as s on a.vehicle = s.vehicle and a.day >= s.read_on
