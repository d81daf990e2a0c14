-- A row that is no row of the table at all has no other fault.
delete from bad
where table_name = $table and reason not in ('total_row', 'repeated_header')
  and _row in (select _row from bad where table_name = $table and reason in ('total_row', 'repeated_header'))
