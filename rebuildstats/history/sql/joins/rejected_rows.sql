-- A row per file with rows that did not go in because they name what is not there, with how many.
select file, count(distinct (line, "row")) as rows_there from rejects
where settled_by is null and reason = 'unknown_reference' and value = $name and "table" || '.' || "column" in (select unnest($places))
group by file order by file
