-- a row is a component position of a unit today: its age and the age at which it was last known good (NULL: not known)
create or replace temp view positions_today as
select
    u.unit,
    p.family,
    p.component,
    p.position,
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
left join running_stays as r using (unit_id, place_id, stay)
left join ends as e using (unit_id, place_id, stay)
left join teardown_order as t on s.opened_by = t.job_id
inner join unit_today as u on s.unit_id = u.unit_id
inner join places as p on s.place_id = p.place_id
where r.stay is not null or not e.renewed
order by u.unit, p.place_id, s.stay
