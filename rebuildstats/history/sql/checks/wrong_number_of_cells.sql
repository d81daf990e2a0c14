-- A row with more or fewer cells than the header.
insert into bad by name
select $table as table_name, s._row, $reason as reason
from {stage} s
where s._fault = $reason
