-- A row per finding whose verdict says the opposite of its reading and the limits.
select f.job || ' ' || f.point || ': reading ' || f.reading || ', limits ' || coalesce(p.low_limit::VARCHAR, '-') || ' to '
  || coalesce(p.high_limit::VARCHAR, '-') || ', verdict ' || f.verdict as example
from known_findings f join known_teardowns t using (job) join known_units u using (unit)
  join known_points p on p.family = u.family and p.point = f.point
where f.reading is not null and (p.low_limit is not null or p.high_limit is not null)
  and case f.verdict
    when 'ok' then f.reading < p.low_limit or f.reading > p.high_limit
    -- A reading right on its limit may have been rounded onto it.
    when 'fail' then coalesce(f.reading > p.low_limit, true) and coalesce(f.reading < p.high_limit, true)
  end
order by t.opened_on desc, f.job
