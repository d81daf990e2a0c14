-- a row is one teardown seen from one component position of its unit, recorded or not
create or replace temp view outcomes as
select
    t.job,
    t.unit,
    t.family,
    p.component,
    p.position,
    t.opened_on,
    a.age::double as age,
    a.good_age::double as good_age,
    a.verdict::varchar as verdict,
    a.action::varchar as action,
    a.role::varchar as role,
    a.recorded,
    a.renewed,
    f.part,
    t.scope,
    t.reason,
    t.mileage,
    t.age as unit_age,
    t.complaint,
    t.site,
    t.duty,
    t.bench,
    a.failed_before
from ages as a
inner join teardowns_aged as t using (job_id)
inner join places as p using (place_id)
left join fitted_parts as f on a.job_id = f.job_id and a.place_id = f.place_id
order by t.opened_on, t.job, a.place_id
