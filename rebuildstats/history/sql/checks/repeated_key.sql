-- Rows of one load with one key and different contents: nobody can say which is right, so all of them are shown together.
insert into bad by name
select $table as table_name, t._row, $column as column_name, concat_ws(' / ', {key_text}) as value, $reason as reason
from {typed} t
where ({t_key}) in (
  select ({key}) from (select distinct {columns} from {typed} where ({key}) in (select ({key}) from repeated)) group by {key} having count(*) > 1
)
