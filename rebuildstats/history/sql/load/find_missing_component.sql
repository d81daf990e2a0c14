-- Findings at a component that their unit's family does not have.
insert into missing by name
select 'findings' as table_name, f._row, 'component' as column_name, f.component as value, 'components' as target,
  json_array(f.family, f.component)::VARCHAR as target_key
from family_of_findings f
where not exists (select 1 from typed_components c where c.family = f.family and c.component = f.component)
  and not exists (select 1 from components c where c.family = f.family and c.component = f.component)
