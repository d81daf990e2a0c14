-- A row per inspection point that findings record at another component than its own.
select p.family || ' ' || p.point || ': belongs to ' || p.component || ', recorded at ' || f.component as example
from known_findings f join known_teardowns t using (job) join known_units u using (unit)
  join known_points p on p.family = u.family and p.point = f.point
where f.component <> p.component
group by p.family, p.point, p.component, f.component order by count(*) desc, p.family, p.point
