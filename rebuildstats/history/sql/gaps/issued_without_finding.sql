-- A row per part issued to a job in which no finding replaces anything that takes it.
select i.job || ' ' || i.part as example
from known_issued_parts i join known_teardowns t using (job) join known_units u using (unit)
where i.kind = 'issue'
  and not exists (select 1 from known_findings f where f.job = i.job and f.part = i.part)
  and not exists (
    select 1 from known_findings f join known_part_uses p on p.family = u.family and p.component = f.component
    where f.job = i.job and f.action = 'replace' and p.part = i.part
  )
  and not exists (
    select 1 from known_components c join known_part_uses p using (family, component)
    where c.family = u.family and c.renewal = 'always' and t.scope = 'rebuild' and p.part = i.part
  )
group by i.job, i.part order by i.job desc, i.part
