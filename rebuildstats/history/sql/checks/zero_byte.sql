-- A line with a zero byte in it, which no text has: a damaged file.
insert into bad by name
select $table as table_name, s._row, $reason as reason
from {stage} s
where s._fault = $reason
