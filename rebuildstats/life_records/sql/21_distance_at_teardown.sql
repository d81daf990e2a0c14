-- a row is what one fitment had added to its unit's distance by one teardown (NULL: can't be had); a teardown's own
-- odometer is read on the meter in force that day
create or replace temp table distance_at_teardown as
with own as (
    select
        t.job_id,
        f.vehicle,
        t.odometer + coalesce(m.added, 0) as distance
    from teardown_order as t
    inner join (select distinct unit, vehicle from fitment_spans) as f
        on t.unit = f.unit and coalesce(t.named_vehicle, f.vehicle) = f.vehicle
    asof left join meters as m on f.vehicle = m.vehicle and t.opened_on >= m.first_read_on
),
ends as (
    select
        t.job_id,
        f.fitment_id,
        f.start_distance,
        case
            when f.removed_on < t.opened_on then f.end_distance
            when f.removed_on = t.opened_on then coalesce(f.written_end_distance, own.distance, f.end_distance)
            else coalesce(own.distance, on_day.distance)
        end as distance
    from teardown_order as t
    inner join fitment_spans as f on t.unit = f.unit and f.fitted_on < t.opened_on
    left join own on t.job_id = own.job_id and f.vehicle = own.vehicle
    left join distance_on_day as on_day on f.vehicle = on_day.vehicle and t.opened_on = on_day.day
)
select
    job_id,
    fitment_id,
    not_below_zero(distance - start_distance) as distance
from ends
