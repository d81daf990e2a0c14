-- Rejects whose row has gone in after all; by its key as it was written too, where a name in it was joined to another since.
update rejects set settled_by = $load
where settled_by is null and "table" = $table
  and (
    key in (select json_array({key_text})::VARCHAR from {typed})
    or key in (select json_array({key_as_written})::VARCHAR from {typed} where contains(_notes, ' as written"'))
  )
  and not exists (
    select 1 from report p
    where p."table" = rejects."table" and p.file = rejects.file and p.line is not distinct from rejects.line and p."row" = rejects."row"
  )
