-- A row per value of a reference that leads nowhere.
select distinct concat_ws(' / ', {values}) as value from {table} t
where {filled} and not exists (select 1 from {target} g where {equal})
