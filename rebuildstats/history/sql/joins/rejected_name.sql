-- How many rows that did not go in name what is not there.
select count(*) from (
  select distinct file, line, "row" from rejects
  where settled_by is null and reason = 'unknown_reference' and value = $name and "table" || '.' || "column" in (select unnest($places))
)
