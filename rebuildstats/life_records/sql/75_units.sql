-- a row is a unit today
create or replace temp table units_today as
with last_stay as (
    select unit, rebuild_number as rebuilds, start_mileage
    from unit_stays
    qualify row_number() over (partition by unit order by rebuild_number desc) = 1
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
inner join first_sight as s using (unit)
inner join last_stay as l using (unit)
left join last_opened as o using (unit)
left join known_vehicles as v on u.vehicle = v.vehicle
order by u.unit
