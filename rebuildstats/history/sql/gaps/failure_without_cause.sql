-- A row per teardown for a failure in which no finding is the cause; a job still open may get it yet.
select t.job || coalesce(' (' || t.complaint || ')', '') as example
from known_teardowns t
where t.reason in ('failure', 'comeback') and t.job in (from settled_jobs)
  and exists (select 1 from known_findings f where f.job = t.job)
  and not exists (select 1 from known_findings f where f.job = t.job and f.role = 'cause')
order by t.opened_on desc, t.job
