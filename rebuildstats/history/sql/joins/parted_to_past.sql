-- Rows that stand under the kept name and were written under the other: at parting they leave the present for the past.
insert into past.{table} by name
select g.*, $load as _until_load, $now as _until, $who as _who, 'parted' as _why from {table} g
where {column} = $kept and json_extract_string(g._notes, {path}) = $dropped
