-- The rows chosen by `falling.py`, as faults.
insert into bad by name
select $table as table_name, _row, $column as column_name, value, $reason as reason from chosen
