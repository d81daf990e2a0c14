-- A finding at a position beyond those its component has in one unit.
insert into bad by name
with design as (
  select family, component, positions from typed_components
  union all
  select family, component, positions from components where (family, component) not in (select (family, component) from typed_components)
)
select $table as table_name, f._row, 'position' as column_name, f.position::VARCHAR as value, $reason as reason
from family_of_findings f join design c using (family, component)
where f.position > coalesce(c.positions, 1)
