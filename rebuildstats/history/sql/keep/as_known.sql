-- The rows of one table as the store knew them at a moment: those of the present that were there then, and those of the past that
-- had not yet been replaced, withdrawn or undone.
create or replace temp table {name} as
with known_loads as (
  select load from {database}.main.loads where loaded_at <= $moment
)
select {columns} from {database}.main.{name} where _since in (select load from known_loads)
union all
select {columns} from {database}.past.{name} where _since in (select load from known_loads) and _until > $moment
