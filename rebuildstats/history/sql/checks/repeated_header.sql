-- A header that stands again among the rows.
insert into bad by name
select $table as table_name, s._row, $column as column_name, s.{column} as value, $reason as reason
from {stage} s
where ({is_header}) or s._fault = $reason
