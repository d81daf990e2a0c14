-- a row is a finding of a teardown opened by the day asked for
create or replace temp table known_findings as
select
    f.job,
    f.component,
    nullif(f.point, '') as point,
    coalesce(f.position, 1) as position,
    f.reading,
    nullif(f.condition, '') as condition,
    lower(nullif(f.verdict, '')) as verdict,
    lower(nullif(f.action, '')) as action,
    lower(nullif(f.role, '')) as role,
    nullif(f.part, '') as part,
    f.quantity
from findings as f
semi join known_teardowns using (job)
