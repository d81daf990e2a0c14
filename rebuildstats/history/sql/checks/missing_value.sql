-- A row without a value in a column that every row must fill.
insert into bad by name
select $table as table_name, s._row, $column as column_name, $reason as reason
from {stage} s join {typed} t using (_row)
where s.{column} is null and t.{column} is null
