-- A changed component, unit or teardown with which stored findings would name a component, a point or a position that their family
-- does not have. Where several changes together make it so, all of them are shown.
insert into bad by name
with jobs as (
  select g.job, coalesce(t.unit, g.unit) as unit, case when t.unit <> g.unit then t._row end as job_row
  from teardowns g left join typed_teardowns t using (job)
  where g.job is distinct from $replaced
), families as (
  select g.unit, coalesce(t.family, g.family) as family, case when t.family <> g.family then t._row end as unit_row
  from units g left join typed_units t using (unit)
  union all
  select unit, family, null from typed_units where unit not in (select unit from units)
), design as (
  select g.family, g.component, coalesce(case when t._row is null then g.positions else t.positions end, 1) as positions,
    case when coalesce(t.positions, 1) < coalesce(g.positions, 1) then t._row end as component_row
  from components g left join typed_components t using (family, component)
  union all
  select family, component, coalesce(positions, 1), null from typed_components
  where (family, component) not in (select (family, component) from components)
), places as (
  select family, point from points union select family, point from typed_points
), against as (
  select j.job_row, u.unit_row, d.component_row, j.unit, u.family, d.positions,
    concat_ws(' ', f.job, f.component, nullif(f.point, ''), f.position) as finding
  from findings f join jobs j using (job) join families u using (unit)
    left join design d on d.family = u.family and d.component = f.component
  where coalesce(j.job_row, u.unit_row, d.component_row) is not null
    and (d.component is null or f.position > d.positions
      or f.point <> '' and not exists (select 1 from places p where p.family = u.family and p.point = f.point))
), told as (
  select 'components' as table_name, component_row as _row, 'positions' as column_name, positions::VARCHAR as value, finding from against
  union all select 'units', unit_row, 'family', family, finding from against
  union all select 'teardowns', job_row, 'unit', unit, finding from against
)
select table_name, _row, column_name, any_value(value) as value, $reason as reason,
  count(*) || ' stored findings: ' || array_to_string(list_sort(list(finding))[1:3], ', ') as waits_for
from told where _row is not null and table_name = $table
group by table_name, _row, column_name
