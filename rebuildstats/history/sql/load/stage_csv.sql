-- The rows of one plain CSV file by DuckDB's own reader; its columns are called c0, c1, ... in the file's order.
insert into {rows} by name
with records as (
  select row_number() over () as record, *
  from read_csv(
    $path, auto_detect = false, header = true, delim = $delimiter, quote = '"', escape = '"', columns = $columns,
    strict_mode = true, null_padding = false, max_line_size = 4000000, nullstr = ''
  )
)
select $first + record as _row, $file::INTEGER as _file, 1 + record as _line, {notes} as _notes, {cells}
from records
