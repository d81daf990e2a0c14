-- one row: a text that changes with every write of history and every setting, and with nothing else (kept fits are no history)
select md5(concat_ws(
    '|',
    (select string_agg(concat_ws(':', load, loaded_at, kind, what, coalesce(undone_by, 0)), ',' order by load) from loads),
    (select string_agg(name || '=' || value, ',' order by name) from settings)
))
