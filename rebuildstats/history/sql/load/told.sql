-- What the person who loads is told of the rows that did not go in, in the order of files and lines.
select "table", file, line, "column", value, reason, "row", waits_for, looks_like from report order by "table", file, line, _row, "column", reason
