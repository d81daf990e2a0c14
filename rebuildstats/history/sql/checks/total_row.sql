-- A line of totals under a sheet: its first key cell says so.
insert into bad by name
select $table as table_name, s._row, $column as column_name, s.{column} as value, $reason as reason
from {stage} s
where s.{column} in ({totals})
