-- A row per finding whose component, point or position the family of its unit does not have.
select distinct concat_ws(' ', f.job, f.component, nullif(f.point, ''), f.position) as finding
from findings f join teardowns t using (job) join units u using (unit)
  left join components c on c.family = u.family and c.component = f.component
where c.component is null or f.position > coalesce(c.positions, 1)
  or f.point <> '' and not exists (select 1 from points p where p.family = u.family and p.point = f.point)
order by finding
