-- A row that describes a name which is joined to another, and not as it did when they were joined: which of the two rows counts is for a person to say.
insert into bad by name
select $table as table_name, t._row, $column as column_name, t.{column} as value, $reason as reason, j.kept as waits_for
from {typed} t join joined_names j on j.name = t.{column} and j.kind = $kind and j.undone_by is null
