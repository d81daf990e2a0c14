-- A row per component position found failed with nothing done about it; a job still open may get it yet.
select f.job || ' ' || f.component || case when f.position > 1 then ' ' || f.position else '' end as example
from known_findings f join known_teardowns t using (job)
where t.job in (from settled_jobs)
group by f.job, f.component, f.position
having bool_or(f.verdict = 'fail') and not bool_or(coalesce(f.action, 'reuse') <> 'reuse')
order by f.job, f.component, f.position
