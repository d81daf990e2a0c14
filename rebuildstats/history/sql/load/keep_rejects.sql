-- The faults of this load are kept in the store, but for those that stand there already.
insert into rejects by name
select $load as load, "table", file, line, "column", value, reason, "row", waits_for, key from report p
where not exists (
  select 1 from rejects r
  where r.settled_by is null and r."table" = p."table" and r.file = p.file and r.line is not distinct from p.line
    and r."column" is not distinct from p."column" and r.reason = p.reason and r."row" = p."row"
)
