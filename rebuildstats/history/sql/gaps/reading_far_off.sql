-- A row per gauge reading that no instrument gives at its point: below zero where the others and the limits are not; five times
-- further out than nine in ten of the others and than the limits and the size as new; or, where little is known of the point, twenty times.
with readings as (
  select f.job, f.component, f.point, f.position, f.reading, t.opened_on, p.as_new, p.low_limit, p.high_limit,
    median(f.reading) over point as usual, count(*) over point as others,
    quantile_cont(f.reading, 0.05) over point as lowest, quantile_cont(abs(f.reading), 0.1) over point as small,
    quantile_cont(abs(f.reading), 0.9) over point as large
  from known_findings f join known_teardowns t using (job) join known_units u using (unit)
    join known_points p on p.family = u.family and p.point = f.point
  where f.reading is not null and p.method = 'gauge'
  window point as (partition by u.family, f.point)
), far as (
  select *, greatest(abs(as_new), abs(low_limit), abs(high_limit)) as most,
    least(nullif(abs(as_new), 0), nullif(abs(low_limit), 0)) as least_wanted,
    others >= 8 as known_well
  from readings
)
select job || ' ' || point || ': ' || reading || ' (usually ' || round(usual, 3) || ')' as example
from far
where reading < 0 and others >= 5 and lowest >= 0 and usual > 0 and least(as_new, low_limit, high_limit, 0) >= 0
  or known_well and abs(reading) > 5 * greatest(large, most) and large > 0
  or known_well and reading <> 0 and abs(reading) < least(small, least_wanted) / 5 and least_wanted is not null
  or others >= 5 and usual <> 0 and abs(reading) > 20 * greatest(abs(usual), most)
  or others >= 5 and usual <> 0 and reading <> 0 and abs(reading) < abs(usual) / 20 and least_wanted is not null
  or others < 5 and most > 0 and abs(reading) > 20 * most
order by abs(ln(abs(reading / nullif(usual, 0)) + 1e-300)) desc, job, point
