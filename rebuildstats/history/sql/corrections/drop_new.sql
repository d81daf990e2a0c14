-- ... and are no rows of the present any more.
delete from {table} where _load = $undone
