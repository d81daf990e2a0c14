-- Rows rejected and rows held of one table, not counting those that go on waiting since an earlier load.
select
  count(*) filter (where not only_waits) as rejected,
  count(*) filter (where only_waits) as held
from (select _row, bool_and(reason = 'waits_for') as only_waits from report where "table" = $table group by _row)
