-- A row per rebuild and component that is renewed at every rebuild but stands nowhere in its findings; a job still open may get them yet.
select t.job || ' ' || c.component as example
from known_teardowns t join known_units u using (unit) join known_components c using (family)
where t.scope = 'rebuild' and c.renewal = 'always' and t.job in (from settled_jobs)
  and exists (select 1 from known_findings f where f.job = t.job)
  and not exists (select 1 from known_findings f where f.job = t.job and f.component = c.component)
order by t.opened_on desc, t.job, c.component
