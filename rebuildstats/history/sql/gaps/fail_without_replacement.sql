-- A row per component position found failed with nothing done about it.
select job || ' ' || component || case when position > 1 then ' ' || position else '' end as example
from known_findings
group by job, component, position
having bool_or(verdict = 'fail') and not bool_or(coalesce(action, 'reuse') <> 'reuse')
order by job, component, position
