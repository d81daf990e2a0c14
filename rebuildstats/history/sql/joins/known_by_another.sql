-- Rows that describe a name which was joined to another say nothing new.
delete from {typed}
where {column} in (select name from joined_names where undone_by is null and kind = $kind)
returning _row
