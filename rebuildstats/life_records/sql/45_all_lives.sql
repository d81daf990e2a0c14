-- a row is a begun stay with what is known of its life; `left_out` says why where nothing is (it is counted, not listed)
create or replace temp table all_lives as
with together as (
    select s.*, e.lower_age, e.upper_age, e.closed_by, e.ended_as
    from stays as s
    inner join ends as e using (unit_id, place_id, stay)
    union all
    select * exclude (age, good_age), good_age, null, null, null
    from running_stays
)
select
    unit_id,
    place_id,
    stay,
    number,
    entry_age,
    lower_age,
    upper_age,
    opened_by,
    closed_by,
    part,
    start_mileage,
    ended_as,
    case
        when start_mileage is null then 'age not known: the renewal was at an unknown mileage'
        when upper_age is null and lower_age <= entry_age then 'nothing known between its begin and its end'
    end as left_out
from together
where is_begun
