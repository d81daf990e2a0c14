-- a row is a begun stay with what is known of its life; `left_out` says why where nothing is (it is counted, not listed)
create or replace temp table all_lives as
select
    s.unit_id,
    s.place_id,
    s.stay,
    s.number,
    s.entry_age,
    coalesce(e.lower_age, r.good_age) as lower_age,
    e.upper_age,
    s.opened_by,
    e.closed_by,
    s.part,
    s.start_mileage,
    e.ended_as,
    case
        when s.start_mileage is null then 'age not known: the renewal was at an unknown mileage'
        when e.upper_age is null and coalesce(e.lower_age, r.good_age) <= s.entry_age
            then 'nothing known between its begin and its end'
    end as left_out
from stays as s
left join ends as e using (unit_id, place_id, stay)
left join running_stays as r using (unit_id, place_id, stay)
where s.is_begun
