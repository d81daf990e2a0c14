-- a row is one teardown seen from one component position of its unit, recorded or not; `stay` counts the renewals
-- before it, so stay 0 is what was there at first sight
create or replace temp table examinations as
with dense as (
    select
        t.unit,
        t.job,
        t.teardown_number,
        t.family,
        c.component,
        unnest(range(1, c.positions + 1)) as position,
        c.shows,
        t.scope
    from teardown_order as t
    inner join known_components as c using (family)
)
select
    d.unit,
    d.job,
    d.teardown_number,
    d.family,
    d.component,
    d.position,
    d.shows,
    f.verdict,
    f.action,
    f.role,
    f.part,
    f.job is not null as recorded,
    r.job is not null as renewed,
    m.mileage,
    count(r.job) over (
        partition by d.unit, d.component, d.position
        order by d.teardown_number
        rows between unbounded preceding and 1 preceding
    ) as stay
from dense as d
inner join unit_mileage as m using (job)
left join position_findings as f on d.job = f.job and d.component = f.component and d.position = f.position
left join renewals as r on d.job = r.job and d.component = r.component and d.position = r.position
