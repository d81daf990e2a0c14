-- Rows of a table that were withdrawn with teardowns which are back, and that did not come again themselves.
select count(*) from past.{table} g
where g._why = 'withdrawn' and g.job in (select job from typed_teardowns where job not in (select job from teardowns))
  and not exists (select 1 from {typed} t where {equal})
  and not exists (select 1 from {table} k where {equal_stored})
