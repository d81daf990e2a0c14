-- A mileage, quantity or other amount below zero.
insert into bad by name
select $table as table_name, s._row, $column as column_name, s.{column} as value, $reason as reason
from {stage} s join {typed} t using (_row)
where t.{column} < 0
