-- a row is a stay of a unit in a vehicle with the vehicle's distance at its begin and, once it has ended, at its end;
-- an odometer written on the fitment is read on the meter in force that day
create or replace temp table fitment_spans as
with metered as (
    select
        f.*,
        f.fitted_odometer + coalesce(at_start.added, 0) as written_start_distance,
        f.removed_odometer + coalesce(at_end.added, 0) as written_end_distance
    from known_fitments as f
    asof left join meters as at_start on f.vehicle = at_start.vehicle and f.fitted_on >= at_start.first_read_on
    asof left join meters as at_end on f.vehicle = at_end.vehicle and f.removed_on >= at_end.first_read_on
)
select
    row_number() over (order by f.unit, f.fitted_on, f.vehicle)::integer as fitment_id,
    f.unit,
    f.vehicle,
    f.fitted_on,
    f.removed_on,
    coalesce(f.written_start_distance, at_start.distance) as start_distance,
    f.written_end_distance,
    coalesce(f.written_end_distance, at_end.distance) as end_distance
from metered as f
left join distance_on_day as at_start on f.vehicle = at_start.vehicle and f.fitted_on = at_start.day
left join distance_on_day as at_end on f.vehicle = at_end.vehicle and f.removed_on = at_end.day
