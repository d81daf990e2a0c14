-- The rows of one sheet that was read the careful way.
insert into {rows} by name
select $first + row_number() over () as _row, $file::INTEGER as _file, incoming.* from incoming
