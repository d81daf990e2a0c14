-- a row is one teardown seen from one place of its unit, recorded or not, its findings there taken together: the worst
-- verdict, the strongest action, a cause before the other roles; `stay` counts the renewals before it, so stay 0 is
-- what was there at first sight
create or replace temp table examinations as
with said as (
    select
        t.job_id,
        p.place_id,
        null as verdict,
        null as action,
        null as role,
        false as recorded,
        p.renewal = 'always' and t.scope = 'rebuild' as renewed
    from teardown_order as t
    inner join places as p using (family)
    union all
    select job_id, place_id, verdict, action, role, true, coalesce(action = 'replace', false) from findings_numbered
    union all
    select job_id, place_id, null, null, null, false, true from renewals
),
together as (
    select
        job_id,
        place_id,
        min(verdict) as verdict,
        min(action) as action,
        min(role) as role,
        bool_or(recorded) as recorded,
        bool_or(renewed) as renewed
    from said
    group by job_id, place_id
)
select
    m.unit_id,
    e.*,
    m.mileage,
    (
        count(*) filter (e.renewed) over (
            partition by m.unit_id, e.place_id
            order by e.job_id
            rows between unbounded preceding and 1 preceding
        )
    )::integer as stay
from together as e
inner join unit_mileage as m using (job_id)
