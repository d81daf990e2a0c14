-- A row per row that did not go in and was not corrected yet, with its faults in words.
select "table", file, line, "row",
  string_agg(reason || coalesce(' (' || "column" || coalesce(': ' || value, '') || ')', ''), '; ' order by "column", reason) as why
from rejects where settled_by is null
group by "table", file, line, "row" order by "table", file, line
