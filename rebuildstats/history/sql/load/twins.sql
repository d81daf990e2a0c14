-- Lines without a slip are told apart by their whole contents and by how many equal ones stand before them in their file.
update typed_issued_parts set _twin = n.twin
from (
  select t._row, json_array(t.issued_on, t.part, t.quantity, t.kind, t.job, t.site,
    row_number() over (partition by t.issued_on, t.part, t.quantity, t.kind, t.job, t.site, s._file, s._waiting_file, s._waiting order by t._row)
  )::VARCHAR as twin
  from typed_issued_parts t join stage_issued_parts s using (_row)
  where t.slip = ''
) n
where typed_issued_parts._row = n._row
