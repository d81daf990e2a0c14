-- Rows at fault that others may wait for.
insert into awaited by name
select distinct $table as table_name, b.key, coalesce(s._waiting_file, f.file) || ' line ' || s._line as place
from bad b join {stage} s using (_row) left join files f using (_file)
where b.table_name = $table and b.key is not null
