-- The family of each finding of this load: of the unit that its job opened, as this load leaves it.
create or replace temp table family_of_findings as
with jobs as (
  select job, unit from typed_teardowns
  union all
  select job, unit from teardowns where job not in (select job from typed_teardowns)
), families as (
  select unit, family from typed_units
  union all
  select unit, family from units where unit not in (select unit from typed_units)
)
select f._row, u.family, f.component, f.point, f.position
from typed_findings f join jobs j using (job) join families u using (unit)
