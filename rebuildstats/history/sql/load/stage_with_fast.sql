-- The rows read for a table: those of the careful way and those of its one big file.
create or replace temp view {stage} as
select * from {rows}
union all by name
select {first} + 1 + rowid as _row, {file} as _file, rowid + 2 as _line, * from {fast}
