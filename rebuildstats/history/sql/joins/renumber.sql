-- Lines without a slip of one part are told apart anew, since two parts' lines have become one's.
update issued_parts set _twin = n.twin
from (
  select rowid as line, json_array(issued_on, part, quantity, kind, job, site,
    row_number() over (partition by issued_on, part, quantity, kind, job, site order by _twin, rowid))::VARCHAR as twin
  from issued_parts where slip = '' and part = $kept
) n
where issued_parts.rowid = n.line
