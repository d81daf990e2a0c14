-- Rows that describe a name which was joined to another and say nothing else than they did before.
delete from {typed}
where _row in (
  select t._row from {typed} t join joined_names j on j.name = t.{column} and j.kind = $kind and j.undone_by is null
    join past.{table} g on g.{column} = t.{column} and g._until_load = j.load
  where ({t_columns}) is not distinct from ({g_columns})
)
returning _row
