-- A load that was undone.
update loads set undone_by = $load where load = $undone
