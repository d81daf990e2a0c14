-- A row per component that was replaced with a part named, in a job to which that part was never issued; to a job still
-- open it may be issued yet.
select f.job || ' ' || f.part as example
from known_findings f join known_teardowns t using (job)
where f.action = 'replace' and f.part is not null and t.job in (from settled_jobs)
  and exists (select 1 from known_issued_parts where job is not null)
  and not exists (select 1 from known_issued_parts i where i.job = f.job and i.part = f.part)
group by f.job, f.part order by f.job desc, f.part
