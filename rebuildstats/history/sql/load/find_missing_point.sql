-- Findings at an inspection point that their unit's family does not have.
insert into missing by name
select 'findings' as table_name, f._row, 'point' as column_name, f.point as value, 'points' as target,
  json_array(f.family, f.point)::VARCHAR as target_key
from family_of_findings f
where f.point <> ''
  and not exists (select 1 from typed_points p where p.family = f.family and p.point = f.point)
  and not exists (select 1 from points p where p.family = f.family and p.point = f.point)
