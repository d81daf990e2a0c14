-- A row per table with rows that were rejected or are held and that nobody has corrected yet.
select "table" || ': ' || count(distinct (file, line, "row")) || ' rows, mostly ' || mode(reason) as example, count(distinct (file, line, "row")) as weight
from rejects where settled_by is null group by "table" order by weight desc
