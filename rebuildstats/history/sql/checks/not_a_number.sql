-- A cell of a number column that is no finite decimal number.
insert into bad by name
select $table as table_name, s._row, $column as column_name, s.{column} as value, $reason as reason
from {stage} s join {typed} t using (_row)
where s.{column} is not null and t.{column} is null
