-- Rejects that a load told are settled with its undoing.
update rejects set settled_by = $load where load = $undone and settled_by is null
