-- A row per load that rows of a table name and no book holds.
select distinct load from (select _load as load from {table} union all select _since from {table}) where load not in (select load from loads)
