-- A row per teardown of which nothing was written down; a job still open may get its findings yet.
select t.job || ' (' || t.opened_on || ')' as example
from known_teardowns t where t.job in (from settled_jobs) and not exists (select 1 from known_findings f where f.job = t.job)
order by t.opened_on desc, t.job
