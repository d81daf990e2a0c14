-- A row per gauge reading that no instrument gives: of the wrong sign, or more than twenty times off what the point usually shows.
with readings as (
  select f.job, f.component, f.point, f.position, f.reading, u.family,
    median(f.reading) over (partition by u.family, f.point) as usual, count(*) over (partition by u.family, f.point) as others
  from known_findings f join known_teardowns t using (job) join known_units u using (unit)
  where f.reading is not null
)
select r.job || ' ' || r.point || ': ' || r.reading || ' (usually ' || round(r.usual, 3) || ')' as example
from readings r join known_points p on p.family = r.family and p.point = r.point
where p.method = 'gauge' and r.others >= 5 and r.usual <> 0
  and (abs(r.reading) > 20 * abs(r.usual) or (r.reading <> 0 and abs(r.reading) < abs(r.usual) / 20) or (r.reading < 0) <> (r.usual < 0) and abs(r.reading) > abs(r.usual))
order by abs(ln(abs(r.reading / r.usual) + 1e-300)) desc, r.job
