-- a row is one teardown seen from one component position, with the position's own age there, the age at which it was
-- last known good before, and whether it had already failed and been left in
create or replace temp table ages as
with aged as (
    select
        e.unit,
        e.job,
        e.teardown_number,
        e.family,
        e.component,
        e.position,
        e.stay,
        e.shows,
        e.verdict,
        e.action,
        e.role,
        e.part,
        e.recorded,
        e.renewed,
        s.entry_age,
        not_below_zero(e.mileage - s.start_mileage) as age
    from examinations as e
    inner join stays as s using (unit, component, position, stay)
)
select
    *,
    greatest(
        entry_age,
        coalesce(
            max(case when verdict = 'ok' or (shows = 'in_service' and verdict is distinct from 'fail') then age end) over before,
            entry_age
        )
    ) as good_age,
    coalesce(bool_or(verdict = 'fail') over before, false) as failed_before
from aged
window before as (
    partition by unit, component, position, stay
    order by teardown_number
    rows between unbounded preceding and 1 preceding
)
