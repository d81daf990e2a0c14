-- Rows held since earlier loads, tried again with this one; what is no column of the table is a note.
insert into {rows} by name
select
  $first + row_number() over () as _row, -1 as _file, w.line as _line, w.load as _waiting, w.file as _waiting_file,
  nullif(json_merge_patch(w."row", $no_cells)::VARCHAR, '{}') as _notes,
  {cells}
from (
  select distinct load, file, line, "row" from rejects where "table" = $table and reason = 'waits_for' and settled_by is null
) w
