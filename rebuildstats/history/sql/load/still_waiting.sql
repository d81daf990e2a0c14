-- Rows held since earlier loads that go on waiting.
select count(distinct b._row) from bad b join {stage} s using (_row)
where b.table_name = $table and s._waiting is not null and b._row not in (select _row from bad where reason <> 'waits_for')
