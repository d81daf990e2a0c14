-- a row is a unit today: its mileage, and the vehicle it sits in (NULL on the shelf)
create or replace temp table unit_today as
with last_known as (
    select
        t.unit,
        max(m.job_id) as job_id,
        arg_max(m.mileage, m.job_id) as mileage
    from unit_mileage as m
    inner join teardown_order as t using (job_id)
    where m.mileage is not null
    group by t.unit
),
run_since as (
    select
        f.unit,
        not_below_zero(
            case when f.removed_on is null then today.distance else f.end_distance end
            - f.start_distance
            - case when t.opened_on > f.fitted_on then d.distance else 0 end
        ) as distance
    from fitment_spans as f
    left join last_known as k on f.unit = k.unit
    left join teardown_order as t on k.job_id = t.job_id
    left join distance_at_teardown as d on k.job_id = d.job_id and f.fitment_id = d.fitment_id
    left join distance_on_day as today on f.vehicle = today.vehicle and today.day = $as_of
    where f.removed_on is null or t.opened_on is null or f.removed_on > t.opened_on
),
run_in_all as (
    -- where one of them can't be had the unit stays at what is known
    select
        unit,
        case when count(*) = count(distance) then sum(distance order by distance) end as distance
    from run_since
    group by unit
),
fitted as (
    select
        unit,
        arg_max(vehicle, fitted_on) as vehicle,
        max(fitted_on) as fitted_on
    from known_fitments
    where removed_on is null
    group by unit
)
select
    s.unit_id,
    s.unit,
    s.family,
    -- counted from first sight only where something was counted
    coalesce(k.mileage, s.known_mileage, case when r.distance is not null then s.mileage end)
        + coalesce(r.distance, 0) as mileage,
    fitted.vehicle,
    fitted.fitted_on
from first_sight as s
left join last_known as k using (unit)
left join run_in_all as r using (unit)
left join fitted using (unit)
