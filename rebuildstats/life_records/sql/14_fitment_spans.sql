-- a row is a stay of a unit in a vehicle with the vehicle's distance at its begin and, once it has ended, at its end;
-- an odometer written on the fitment is read on the meter in force that day
create or replace temp table fitment_spans as
with starts as (
    select f.unit, f.vehicle, f.fitted_on, m.added
    from known_fitments as f
    asof left join meters as m on f.vehicle = m.vehicle and f.fitted_on >= m.first_read_on
),
ends as (
    select f.unit, f.vehicle, f.fitted_on, m.added
    from known_fitments as f
    asof left join meters as m on f.vehicle = m.vehicle and f.removed_on >= m.first_read_on
)
select
    f.unit,
    f.vehicle,
    f.fitted_on,
    f.removed_on,
    coalesce(f.fitted_odometer + coalesce(starts.added, 0), at_start.distance) as start_distance,
    f.removed_odometer + coalesce(ends.added, 0) as written_end_distance,
    coalesce(f.removed_odometer + coalesce(ends.added, 0), at_end.distance) as end_distance
from known_fitments as f
inner join starts using (unit, vehicle, fitted_on)
inner join ends using (unit, vehicle, fitted_on)
left join distance_on_day as at_start on f.vehicle = at_start.vehicle and f.fitted_on = at_start.day
left join distance_on_day as at_end on f.vehicle = at_end.vehicle and f.removed_on = at_end.day
