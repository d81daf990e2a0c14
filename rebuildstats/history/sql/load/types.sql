-- How a cell's text becomes a value of its kind, or NULL where it doesn't. The pattern comes first: casts alone are too generous
-- (they take '0x1F', '1_000', 'infinity', 'yes').
create or replace temp macro as_text(cell) as cell;

create or replace temp macro as_number(cell) as case
  when regexp_full_match(cell, '[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?') and isfinite(try_cast(cell as DOUBLE)) then try_cast(cell as DOUBLE)
end;

create or replace temp macro as_whole(cell) as case
  when regexp_full_match(cell, '[+-]?\d{1,18}(\.0*)?') then try_cast(cell as BIGINT)
end;

create or replace temp macro as_date(cell) as case
  when regexp_full_match(cell, '\d{4}-\d{2}-\d{2}([ T]00:00(:00(\.0+)?)?)?') then try_cast(substr(cell, 1, 10) as DATE)
end;

create or replace temp macro as_flag(cell) as case lower(cell) when 'true' then true when 'false' then false end;

create or replace temp macro as_word(cell, words) as case when list_contains(words, lower(cell)) then lower(cell) end;

-- Whether a cell begins like the label of a line of totals, in the tongues that sheets around here are written in.
create or replace temp macro is_total(cell) as
  regexp_matches(lower(cell), '^((grand|sub|page|year)[ -]?)?(totals?|sum|summe|gesamt|somme|suma|totaal|carried forward)\b');

-- The notes of a row but for how names were written that are joined to others.
create or replace temp macro own_notes(notes) as case
  when contains(notes, ' as written"') then nullif(json_merge_patch(notes, {no_names})::VARCHAR, '{}') else notes
end;

-- One row per fault of a row of this load.
create or replace temp table bad (
  table_name VARCHAR, _row BIGINT, column_name VARCHAR, value VARCHAR, reason VARCHAR, waits_for VARCHAR, key VARCHAR, looks_like VARCHAR
);

-- One row per reference of this load that leads nowhere yet.
create or replace temp table missing (
  table_name VARCHAR, _row BIGINT, column_name VARCHAR, value VARCHAR, target VARCHAR, target_key VARCHAR, looks_like VARCHAR
);

-- One row per rejected or held row that others may wait for, with where it stands.
create or replace temp table awaited (table_name VARCHAR, key VARCHAR, place VARCHAR);

-- One row per file of this load.
create or replace temp table files (_file INTEGER, file VARCHAR, path VARCHAR, table_name VARCHAR, bytes BIGINT, sha256 VARCHAR);

-- One row per fault of this load with the whole row as it was read: what the person who loads is told.
create or replace temp table report (
  "table" VARCHAR, file VARCHAR, line BIGINT, "column" VARCHAR, value VARCHAR, reason VARCHAR, "row" VARCHAR, waits_for VARCHAR, key VARCHAR,
  _row BIGINT, _waiting BIGINT, looks_like VARCHAR
);
