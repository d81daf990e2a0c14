-- Rejects that this load tells anew in another form: the same key, or the same file where the key itself is at fault.
update rejects set settled_by = $load
where settled_by is null
  and (
    exists (select 1 from report p where p."table" = rejects."table" and p.key = rejects.key)
    or (key is null and exists (select 1 from files f where f.file = rejects.file and f.table_name = rejects."table"))
  )
  and not exists (
    select 1 from report p
    where p."table" = rejects."table" and p.file = rejects.file and p.line is not distinct from rejects.line
      and p."column" is not distinct from rejects."column" and p.reason = rejects.reason and p."row" = rejects."row"
  )
