-- a row is a stretch between two teardowns of a unit (NULL: first sight, today) and the site and the duty on which
-- most of its distance was run
create or replace temp table run_between as
with stretches as (
    select distinct unit_id, opened_by, closed_by from all_lives
    union
    select distinct unit_id, opened_by, closed_by from unit_stays
),
numbered as (
    select
        row_number() over ()::integer as stretch_id,
        s.*,
        u.unit,
        u.vehicle as vehicle_today,
        opening.opened_on as begun_on,
        opening.vehicle as opening_vehicle,
        closing.opened_on as ended_on,
        closing.vehicle as closing_vehicle
    from stretches as s
    inner join unit_today as u using (unit_id)
    left join teardown_order as opening on s.opened_by = opening.job_id
    left join teardown_order as closing on s.closed_by = closing.job_id
),
until_today as (
    select
        f.unit,
        f.fitment_id,
        f.fitted_on,
        f.removed_on,
        v.site,
        v.duty,
        case when f.removed_on is null then today.distance else f.end_distance end - f.start_distance as distance
    from fitment_spans as f
    inner join known_vehicles as v using (vehicle)
    left join distance_on_day as today on f.vehicle = today.vehicle and today.day = $as_of
),
shares as (
    select
        s.stretch_id,
        f.site,
        f.duty,
        coalesce(case when s.closed_by is null then f.distance else closing.distance end, 0)
        - coalesce(opening.distance, 0) as distance
    from numbered as s
    -- a stay in a vehicle that was over before the stretch, or came after it, adds nothing to it
    inner join until_today as f
        on s.unit = f.unit
        and (s.ended_on is null or f.fitted_on < s.ended_on)
        and (s.begun_on is null or f.removed_on is null or f.removed_on >= s.begun_on)
    left join distance_at_teardown as opening on s.opened_by = opening.job_id and f.fitment_id = opening.fitment_id
    left join distance_at_teardown as closing on s.closed_by = closing.job_id and f.fitment_id = closing.fitment_id
),
sites as (
    select stretch_id, site, sum(distance order by distance) as distance
    from shares
    where site is not null and distance > 0
    group by stretch_id, site
),
duties as (
    select stretch_id, duty, sum(distance order by distance) as distance
    from shares
    where duty is not null and distance > 0
    group by stretch_id, duty
),
most_site as (
    select stretch_id, arg_min(site, (-distance, site)) as site
    from sites
    group by stretch_id
),
most_duty as (
    select stretch_id, arg_min(duty, (-distance, duty)) as duty, max(distance) / sum(distance order by distance) as duty_share
    from duties
    group by stretch_id
)
select
    s.unit_id,
    s.opened_by,
    s.closed_by,
    -- where no distance is known: the vehicle of the teardown that ended the stretch (today's where none did), else of
    -- the one that began it
    coalesce(most_site.site, closing_vehicle.site, opening_vehicle.site) as site,
    coalesce(most_duty.duty, closing_vehicle.duty, opening_vehicle.duty) as duty,
    -- the part of the stretch's distance run on that duty
    coalesce(most_duty.duty_share, 1.0) as duty_share
from numbered as s
left join most_site using (stretch_id)
left join most_duty using (stretch_id)
left join known_vehicles as closing_vehicle
    on case when s.closed_by is null then s.vehicle_today else s.closing_vehicle end = closing_vehicle.vehicle
left join known_vehicles as opening_vehicle on s.opening_vehicle = opening_vehicle.vehicle
