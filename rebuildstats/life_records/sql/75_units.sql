-- a row is a unit today
create or replace temp table units_today as
with last_stay as (
    select
        unit_id,
        max(rebuild_number) as rebuilds,
        arg_max_null(start_mileage, rebuild_number) as start_mileage
    from unit_stays
    group by unit_id
),
last_opened as (
    select unit, max(opened_on) as last_opened_on
    from teardown_order
    group by unit
)
select
    u.unit,
    u.family,
    s.origin,
    u.vehicle,
    v.site,
    v.duty,
    u.mileage::double as mileage,
    not_below_zero(u.mileage - l.start_mileage)::double as age,
    o.last_opened_on,
    u.fitted_on,
    v.out_of_service_on,
    l.rebuilds::bigint as rebuilds,
    u.vehicle is not null and (v.out_of_service_on is null or v.out_of_service_on > $as_of) as in_service
from unit_today as u
inner join first_sight as s using (unit_id)
inner join last_stay as l using (unit_id)
left join last_opened as o on u.unit = o.unit
left join known_vehicles as v on u.vehicle = v.vehicle
order by u.unit
