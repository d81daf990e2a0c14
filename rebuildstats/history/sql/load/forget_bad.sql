-- The faults of one table are looked for again.
delete from bad where table_name = $table
