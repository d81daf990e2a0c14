-- a row is a teardown, its reason filled in, with the vehicle the unit came out of. Numbers stand for names from here
-- on: job_id in the order of units and days, unit_id, place_id (31)
create or replace temp table teardown_order as
with numbered as (
    select
        job,
        row_number() over (order by unit, opened_on, job)::integer as job_id,
        row_number() over (partition by unit order by opened_on, job)::integer as teardown_number
    from known_teardowns
    semi join known_units using (unit)
),
causes as (
    select distinct job from known_findings where role = 'cause'
),
fitted as (
    select t.job, f.vehicle
    from known_teardowns as t
    asof inner join known_fitments as f on t.unit = f.unit and t.opened_on > f.fitted_on
)
select
    n.job_id,
    n.teardown_number,
    t.job,
    t.unit,
    u.family,
    t.opened_on,
    t.unit_mileage,
    t.odometer,
    t.vehicle as named_vehicle,
    coalesce(t.vehicle, fitted.vehicle) as vehicle,
    coalesce(t.reason, case when causes.job is not null then 'failure' else 'scheduled' end) as reason,
    t.scope,
    t.complaint,
    t.site as named_site,
    t.bench,
    t.closed_on,
    t.waiting_from,
    t.waiting_until,
    t.waiting_for,
    t.labour_hours,
    t.outside_cost
from known_teardowns as t
inner join numbered as n using (job)
inner join known_units as u using (unit)
left join causes using (job)
left join fitted using (job)
