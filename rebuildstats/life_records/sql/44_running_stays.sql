-- a row is a stay that no teardown has ended: the age at which it was last known good, and its age today
create or replace temp table running_stays as
with seen as (
    select
        unit_id,
        place_id,
        stay,
        max(case when verdict = 'ok' or (shows_in_service and verdict is distinct from 'fail') then age end) as good_age
    from ages
    group by unit_id, place_id, stay
)
select
    s.*,
    not_below_zero(u.mileage - s.start_mileage) as age,
    greatest(
        s.entry_age,
        coalesce(seen.good_age, s.entry_age),
        case
            when s.shows_in_service then coalesce(u.mileage - s.start_mileage, s.entry_age)
            else s.entry_age
        end
    ) as good_age
from stays as s
anti join ends using (unit_id, place_id, stay)
left join seen using (unit_id, place_id, stay)
inner join unit_today as u on s.unit_id = u.unit_id
