-- a row is a finding as it was written, with the age of its component position there
create or replace temp view inspections as
select
    f.job,
    t.unit,
    t.family,
    f.component,
    f.point,
    f.position,
    t.opened_on,
    a.age::double as age,
    t.age as unit_age,
    f.reading,
    f.condition,
    f.verdict,
    f.action,
    f.role,
    f.part,
    f.quantity,
    t.site,
    t.bench,
    t.scope,
    t.reason
from known_findings as f
inner join teardowns_aged as t using (job)
inner join places as p on t.family = p.family and f.component = p.component and f.position = p.position
inner join ages as a on t.job_id = a.job_id and p.place_id = a.place_id
order by t.opened_on, f.job, p.place_id, f.point
