-- A row per part issued to a job in which no finding replaces anything that takes it, whether under this number or an
-- older one, by itself or as the assembly it is supplied in.
with recursive numbers as (
    select part as listed, part as number from known_parts
    union
    select n.listed, p.replaced_by from numbers as n join known_parts as p on n.number = p.part
    where p.replaced_by is not null
),
whole as (
    select family, component, component as taken_as from known_components
    union
    select w.family, w.component, c.supplied_in
    from whole as w join known_components as c on w.family = c.family and w.taken_as = c.component
    where c.supplied_in is not null
),
takes as (
    select w.family, w.component, n.number as part
    from whole as w
    join known_part_uses as p on w.family = p.family and w.taken_as = p.component
    join numbers as n on p.part = n.listed
)
select i.job || ' ' || i.part as example
from known_issued_parts as i join known_teardowns as t using (job) join known_units as u using (unit)
where i.kind = 'issue'
  and not exists (select 1 from known_findings as f where f.job = i.job and f.part = i.part)
  and not exists (
    select 1 from known_findings as f join takes as k on k.family = u.family and k.component = f.component
    where f.job = i.job and f.action = 'replace' and k.part = i.part
  )
  and not exists (
    select 1 from known_components as c join takes as k using (family, component)
    where c.family = u.family and c.renewal = 'always' and t.scope = 'rebuild' and k.part = i.part
  )
group by i.job, i.part order by i.job desc, i.part
