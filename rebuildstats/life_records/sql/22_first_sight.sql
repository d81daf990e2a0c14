-- a row is a unit at first sight: its mileage then, and whether the ages of what was in it are known from new
create or replace temp table first_sight as
with fitted_units as (
    select distinct unit from known_fitments
),
run as (
    select job_id, sum(distance order by distance) as distance, bool_and(distance is not null) as is_known
    from distance_at_teardown
    group by job_id
),
given as (
    select
        t.unit,
        arg_min(
            t.unit_mileage - case when coalesce(run.is_known, true) then coalesce(run.distance, 0) end,
            t.teardown_number
        ) as mileage,
        true as has_given
    from teardown_order as t
    left join run using (job_id)
    where t.unit_mileage is not null
    group by t.unit
)
select
    row_number() over (order by u.unit)::integer as unit_id,
    u.unit,
    u.family,
    coalesce(u.origin, 'used') as origin,
    fitted_units.unit is not null as has_fitments,
    coalesce(u.first_seen_mileage, given.mileage, case when u.origin = 'new' then 0 end) as known_mileage,
    -- with neither known, distance is counted from first sight
    coalesce(u.first_seen_mileage, given.mileage, case when given.has_given is null then 0 end) as mileage,
    coalesce(u.origin, 'used') in ('new', 'used')
        and coalesce(u.first_seen_mileage, given.mileage, case when u.origin = 'new' then 0 end) is not null
        as is_original
from known_units as u
left join fitted_units using (unit)
left join given using (unit)
