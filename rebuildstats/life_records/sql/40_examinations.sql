-- a row is one teardown seen from one place of its unit, recorded or not; `stay` counts the renewals before it, so
-- stay 0 is what was there at first sight
create or replace temp table examinations as
select
    m.unit_id,
    t.job_id,
    p.place_id,
    p.shows_in_service,
    f.verdict,
    f.action,
    f.role,
    f.part,
    f.job_id is not null as recorded,
    r.job_id is not null as renewed,
    m.mileage,
    (
        count(r.job_id) over (
            partition by m.unit_id, p.place_id
            order by t.job_id
            rows between unbounded preceding and 1 preceding
        )
    )::integer as stay
from teardown_order as t
inner join places as p using (family)
inner join unit_mileage as m using (job_id)
left join position_findings as f on t.job_id = f.job_id and p.place_id = f.place_id
left join renewals as r on t.job_id = r.job_id and p.place_id = r.place_id
