-- a row is a component position of a unit today: its age and the age at which it was last known good (NULL: not known)
create or replace temp table positions_today as
select
    s.unit,
    s.family,
    s.component,
    s.position,
    s.number::bigint as number,
    case
        when r.stay is not null then r.age
        else not_below_zero(u.mileage - s.start_mileage)
    end::double as age,
    case when s.start_mileage is not null then coalesce(r.good_age, e.lower_age) end::double as good_age,
    r.stay is null as failed,
    s.part,
    t.opened_on,
    s.opened_by is null as first_life
from stays as s
left join running_stays as r using (unit, component, position, stay)
left join ends as e using (unit, component, position, stay)
left join teardown_order as t on s.opened_by = t.job
inner join unit_today as u on s.unit = u.unit
where r.stay is not null or not e.renewed
order by s.unit, s.component, s.position
