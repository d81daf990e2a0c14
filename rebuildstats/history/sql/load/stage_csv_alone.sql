-- The rows of one plain CSV file by DuckDB's own reader, into a table of their own: its row numbers are the file's, for nothing.
create or replace temp table {fast} as
select {notes} as _notes, {cells}
from read_csv(
  $path, auto_detect = false, header = true, delim = $delimiter, quote = '"', escape = '"', columns = $columns,
  strict_mode = true, null_padding = false, max_line_size = 4000000, nullstr = ''
)
