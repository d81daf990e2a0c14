-- a row is one teardown seen from one place, with the place's own age there, the age at which it was last known good
-- before, and whether it had already failed and been left in
create or replace temp table ages as
with first_fails as (
    select unit_id, place_id, stay, min(job_id) as failed_at
    from examinations
    where verdict = 'fail'
    group by unit_id, place_id, stay
),
aged as (
    select
        e.* exclude (mileage),
        s.entry_age,
        s.shows_in_service,
        not_below_zero(e.mileage - s.start_mileage) as age,
        coalesce(f.failed_at < e.job_id, false) as failed_before
    from examinations as e
    inner join stays as s using (unit_id, place_id, stay)
    left join first_fails as f using (unit_id, place_id, stay)
)
select
    *,
    greatest(
        entry_age,
        coalesce(
            max(case when verdict = 'ok' or (shows_in_service and verdict is distinct from 'fail') then age end) over (
                partition by unit_id, place_id, stay
                order by job_id
                rows between unbounded preceding and 1 preceding
            ),
            entry_age
        )
    ) as good_age
from aged
