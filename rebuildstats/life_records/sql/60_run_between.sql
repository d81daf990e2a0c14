-- a row is a stretch between two teardowns of a unit (NULL: first sight, today) and the site and the duty on which
-- most of its distance was run
create or replace temp table run_between as
with stretches as (
    select distinct unit, opened_by, closed_by from all_lives
    union
    select distinct unit, opened_by, closed_by from unit_stays
),
until_today as (
    select
        f.unit,
        f.vehicle,
        f.fitted_on,
        case when f.removed_on is null then today.distance else f.end_distance end - f.start_distance as distance
    from fitment_spans as f
    left join distance_on_day as today on f.vehicle = today.vehicle and today.day = $as_of
),
shares as (
    select
        s.unit,
        s.opened_by,
        s.closed_by,
        f.fitted_on,
        v.site,
        v.duty,
        greatest(
            coalesce(case when s.closed_by is null then f.distance else closing.distance end, 0) - coalesce(opening.distance, 0),
            0
        ) as distance
    from stretches as s
    inner join until_today as f using (unit)
    inner join known_vehicles as v using (vehicle)
    left join distance_at_teardown as opening
        on s.opened_by = opening.job and f.vehicle = opening.vehicle and f.fitted_on = opening.fitted_on
    left join distance_at_teardown as closing
        on s.closed_by = closing.job and f.vehicle = closing.vehicle and f.fitted_on = closing.fitted_on
),
sites as (
    select unit, opened_by, closed_by, site, sum(distance) as distance
    from shares
    where site is not null and distance > 0
    group by unit, opened_by, closed_by, site
),
duties as (
    select unit, opened_by, closed_by, duty, sum(distance) as distance
    from shares
    where duty is not null and distance > 0
    group by unit, opened_by, closed_by, duty
),
most_site as (
    select unit, opened_by, closed_by, arg_min(site, (-distance, site)) as site
    from sites
    group by unit, opened_by, closed_by
),
most_duty as (
    select unit, opened_by, closed_by, arg_min(duty, (-distance, duty)) as duty
    from duties
    group by unit, opened_by, closed_by
),
named as (
    -- where no distance is known: the vehicle of the teardown that ended the stretch (today's where none did), else of
    -- the one that began it
    select
        s.unit,
        s.opened_by,
        s.closed_by,
        coalesce(closing_vehicle.site, today_vehicle.site, opening_vehicle.site) as site,
        coalesce(closing_vehicle.duty, today_vehicle.duty, opening_vehicle.duty) as duty
    from stretches as s
    left join teardown_order as closing on s.closed_by = closing.job
    left join teardown_order as opening on s.opened_by = opening.job
    left join unit_today as today on s.unit = today.unit and s.closed_by is null
    left join known_vehicles as closing_vehicle on closing.vehicle = closing_vehicle.vehicle
    left join known_vehicles as opening_vehicle on opening.vehicle = opening_vehicle.vehicle
    left join known_vehicles as today_vehicle on today.vehicle = today_vehicle.vehicle
)
select
    n.unit,
    n.opened_by,
    n.closed_by,
    coalesce(most_site.site, n.site) as site,
    coalesce(most_duty.duty, n.duty) as duty
from named as n
left join most_site
    on n.unit = most_site.unit
    and n.opened_by is not distinct from most_site.opened_by
    and n.closed_by is not distinct from most_site.closed_by
left join most_duty
    on n.unit = most_duty.unit
    and n.opened_by is not distinct from most_duty.opened_by
    and n.closed_by is not distinct from most_duty.closed_by
