-- A row held since an earlier load gives way to a row of this load with the same key.
delete from {typed}
where _waiting is not null and ({key}) in (select ({key}) from {typed} where _waiting is null)
returning _row
