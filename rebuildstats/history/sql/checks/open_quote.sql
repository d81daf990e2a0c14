-- A line with one quote too many, which would swallow the rows after it.
insert into bad by name
select $table as table_name, s._row, $reason as reason
from {stage} s
where s._fault = $reason
