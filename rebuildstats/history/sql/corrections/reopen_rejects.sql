-- Rejects that a load settled are open again.
update rejects set settled_by = null where settled_by = $undone
