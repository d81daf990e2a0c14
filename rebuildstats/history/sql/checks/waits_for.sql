-- A row that hangs on a row which was rejected or is held itself: it is kept and goes in when that row is corrected.
insert into bad by name
with places as (
  select table_name, key, min(place) as place from awaited group by all
)
select m.table_name, m._row, m.column_name, m.value, $reason as reason,
  m.target || ' ' || array_to_string(json_extract_string(m.target_key, '$[*]'), ' / ') || ' (' || a.place || ')' as waits_for
from missing m join places a on a.table_name = m.target and a.key = m.target_key
