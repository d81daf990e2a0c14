-- A row of a workbook with a formula whose value was never computed.
insert into bad by name
select $table as table_name, s._row, s._fault_column as column_name, s._fault_value as value, $reason as reason
from {stage} s
where s._fault = $reason
