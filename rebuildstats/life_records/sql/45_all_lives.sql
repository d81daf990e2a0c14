-- a row is a begun stay with what is known of its life; `known` is false where nothing is (it is counted, not listed)
create or replace temp table all_lives as
select
    s.unit,
    s.family,
    s.component,
    s.position,
    s.stay,
    s.number::bigint as number,
    s.entry_age,
    case when s.start_mileage is not null then coalesce(e.lower_age, r.good_age) end as lower_age,
    case when s.start_mileage is not null then e.upper_age end as upper_age,
    s.opened_by,
    e.closed_by,
    s.part,
    s.start_mileage,
    e.ended_as,
    e.renewed as ended_by_renewal,
    r.age as age_today,
    s.start_mileage is not null and (e.upper_age is not null or coalesce(e.lower_age, r.good_age) > s.entry_age) as known,
    case
        when s.start_mileage is null then 'age not known: the renewal was at an unknown mileage'
        when e.upper_age is null and coalesce(e.lower_age, r.good_age) <= s.entry_age
            then 'nothing known between its begin and its end'
    end as left_out
from stays as s
left join ends as e using (unit, component, position, stay)
left join running_stays as r using (unit, component, position, stay)
where s.is_begun
