-- a row is what one teardown found at one place, its findings taken together: the worst verdict, the strongest action,
-- a cause before the other roles
create or replace temp table position_findings as
select
    t.job_id,
    p.place_id,
    case
        when bool_or(f.verdict = 'fail') then 'fail'
        when bool_or(f.verdict = 'ok') then 'ok'
        when bool_or(f.verdict = 'not_checked') then 'not_checked'
    end as verdict,
    case
        when bool_or(f.action = 'replace') then 'replace'
        when bool_or(f.action = 'machine') then 'machine'
        when bool_or(f.action = 'dress') then 'dress'
        when bool_or(f.action = 'reuse') then 'reuse'
    end as action,
    case
        when bool_or(f.role = 'cause') then 'cause'
        when bool_or(f.role = 'consequence') then 'consequence'
        when bool_or(f.role = 'wear') then 'wear'
    end as role,
    arg_min(f.part, coalesce(f.point, '')) filter (where f.action = 'replace') as part
from known_findings as f
inner join teardown_order as t using (job)
inner join places as p on t.family = p.family and f.component = p.component and f.position = p.position
group by t.job_id, p.place_id
