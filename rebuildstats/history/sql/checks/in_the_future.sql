-- A date after the computer's own.
insert into bad by name
select $table as table_name, t._row, $column as column_name, t.{column}::VARCHAR as value, $reason as reason
from {typed} t
where t.{column} > $today
