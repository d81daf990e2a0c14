-- The faults of one table's rows, each with its whole row; rows that go on waiting since an earlier load are told there.
insert into report by name
select
  $table as "table", coalesce(s._waiting_file, f.file) as file, s._line as line, b.column_name as "column", b.value, b.reason,
  -- A row that only waits is kept under the contract's names, so that it can go in later.
  case
    when s._raw is not null and b._row in (select _row from bad where reason <> 'waits_for') then s._raw
    else json_merge_patch('{}', to_json({cells}), coalesce(s._notes, '{}'))::VARCHAR
  end as "row",
  b.waits_for, b.key, s._row, s._waiting, b.looks_like
from bad b join {stage} s using (_row) left join files f using (_file)
where b.table_name = $table
  and not (s._waiting is not null and b._row not in (select _row from bad where reason <> 'waits_for'))
