-- The same rows with every cell as a value of its kind; NULL where it could not be read as one. Rows of empty cells are left out.
create or replace temp table {typed} as
select _row, _waiting, _notes, {values}
from {stage}
where coalesce({columns}, _notes, _raw) is not null
