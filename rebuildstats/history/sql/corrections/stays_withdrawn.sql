-- Rows that were withdrawn and come again just as they were stay withdrawn, as long as their teardown is not back.
delete from {typed}
where _row in (
  select t._row
  from {typed} t join past.{table} g on {equal}
  where g._why = 'withdrawn' and ({t_columns}) is not distinct from ({g_columns})
    and not exists (select 1 from {table} s where {equal_stored})
    and ({of_no_job} or t.job not in (select job from teardowns union all select job from typed_teardowns))
    and g._until = (select max(l._until) from past.{table} l where {equal_last})
)
returning _row
