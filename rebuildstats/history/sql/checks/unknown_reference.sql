-- A reference to what exists neither in the store nor anywhere in this load, not even among the rows that wait to be corrected.
insert into bad by name
select m.table_name, m._row, m.column_name, m.value, $reason as reason, m.target as waits_for, m.looks_like
from missing m
where not exists (select 1 from awaited a where a.table_name = m.target and a.key = m.target_key)
