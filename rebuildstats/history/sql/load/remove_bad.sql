-- The rows at fault leave the good ones.
delete from {typed} where _row in (select _row from bad where table_name = $table)
