-- A row with a cell that isn't written as the mapping says: another decimal sign, date format or unit.
insert into bad by name
select $table as table_name, s._row, s._fault_column as column_name, s._fault_value as value, $reason as reason
from {stage} s
where s._fault = $reason
