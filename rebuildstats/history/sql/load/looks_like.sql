-- For references that lead nowhere: the name there is that looks like the one given, if there is one.
update missing set looks_like = k.name
from (
  select shape_of(name) as shape, min(name) as name
  from (select {target_column}::VARCHAR as name from {target_typed} union select {target_column}::VARCHAR from {target})
  group by shape
) k
where missing.table_name = $table and missing.column_name = $column and missing.target = $target
  and shape_of(missing.value) = k.shape
