-- a row is the teardown that ended a stay: the first that found it failed, else the one that renewed it. `ended_as`
-- says how: cause, wear (found bad), consequence (damaged by another), replaced (while good, or with no verdict)
create or replace temp table ends as
select
    unit_id,
    place_id,
    stay,
    job_id as closed_by,
    renewed,
    case
        when verdict = 'fail' and role in ('cause', 'consequence') then role::varchar
        when verdict = 'fail' then 'wear'
        else 'replaced'
    end as ended_as,
    case
        when age is null then good_age
        when verdict = 'fail' and role = 'cause' then age
        when verdict = 'fail' and role = 'consequence' then case when shows_in_service then age else good_age end
        when verdict = 'fail' then least(good_age, age)
        when verdict = 'ok' or shows_in_service then age
        else good_age
    end as lower_age,
    case
        when verdict = 'fail' and role is distinct from 'consequence' then age
    end as upper_age
from ages
where not failed_before and (verdict = 'fail' or renewed)
