-- A join that was undone.
update joined_names set undone_by = $load where load = $undone and undone_by is null
