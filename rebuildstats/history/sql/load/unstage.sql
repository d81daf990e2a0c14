-- Forget the rows of one file again.
delete from {rows} where _file = $file
