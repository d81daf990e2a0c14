-- a row is a teardown with its unit's mileage (NULL: can't be had) and its distance since the rebuild before it
create or replace temp table teardowns_aged as
select
    t.job_id,
    t.job,
    t.unit,
    t.family,
    t.opened_on,
    m.mileage::double as mileage,
    not_below_zero(m.mileage - b.start_mileage)::double as age,
    t.reason,
    t.scope,
    t.complaint,
    t.vehicle,
    coalesce(t.named_site, v.site) as site,
    v.duty,
    t.bench,
    t.closed_on,
    b.rebuild_number::bigint as rebuild_number,
    t.labour_hours,
    t.outside_cost,
    t.waiting_from,
    t.waiting_until,
    t.waiting_for
from teardown_order as t
inner join unit_mileage as m using (job_id)
asof left join (select *, coalesce(opened_by, 0) as begun_by from unit_stays) as b
    on m.unit_id = b.unit_id and t.job_id > b.begun_by
left join known_vehicles as v on t.vehicle = v.vehicle
order by t.opened_on, t.job
