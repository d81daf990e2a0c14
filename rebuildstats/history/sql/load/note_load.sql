-- Who changed what and when.
insert into loads by name select $load as load, $now as loaded_at, $who as who, $kind as kind, $what as what
