-- Whether rows of this load give stored teardowns other words to be written in: fewer positions, another family, another unit.
select
  exists (select 1 from typed_components t join components g using (family, component) where coalesce(t.positions, 1) < coalesce(g.positions, 1))
  or exists (select 1 from typed_units t join units g using (unit) where t.family <> g.family)
  or exists (select 1 from typed_teardowns t join teardowns g using (job) where t.unit <> g.unit)
