-- a row is a finding as it was written, with the age of its component position there
create or replace temp table inspections as
select
    f.job,
    a.unit,
    a.family,
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
inner join ages as a using (job, component, position)
inner join teardowns_aged as t using (job)
order by t.opened_on, f.job, f.component, f.position, f.point
