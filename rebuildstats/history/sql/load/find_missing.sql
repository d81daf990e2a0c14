-- References of a table that lead neither to a stored row nor to a good row of this load.
insert into missing by name
select $table as table_name, t._row, $column as column_name, t.{column}::VARCHAR as value, $target as target,
  json_array({values})::VARCHAR as target_key
from {typed} t
where {filled}
  and not exists (select 1 from {target_typed} g where {equal_typed})
  and not exists (select 1 from {target} g where {equal_stored})
