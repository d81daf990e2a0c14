-- A line of totals under a sheet: its first key cell says so, or another cell of a row that lacks what a row must have.
insert into bad by name
select $table as table_name, s._row, $column as column_name, s.{column} as value, $reason as reason
from {stage} s
where {is_total}
