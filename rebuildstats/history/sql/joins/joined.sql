-- The names that are joined to others now, with who joined them, when, and why.
select j.kind, j.name, j.kept, j.load, l.loaded_at, l.who, l.what
from joined_names j join loads l using (load)
where j.undone_by is null order by j.load, j.name
