-- Forget the rows of one file again.
delete from {stage} where _file = $file
