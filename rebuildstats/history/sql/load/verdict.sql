-- What each good row is to the store: new, changed or the same. A row without notes leaves the stored notes alone; how a joined name was
-- written is no change.
create or replace temp table verdict as
select t._row, t._waiting,
  case
    when g._load is null then 'new'
    when ({t_columns}) is distinct from ({g_columns}) or (t._notes is not null and own_notes(t._notes) is distinct from own_notes(g._notes) and own_notes(t._notes) is not null) then 'changed'
    else 'same'
  end as outcome,
  coalesce(t._notes, g._notes) as notes
from {typed} t left join {table} g on {equal}
