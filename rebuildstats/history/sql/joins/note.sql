-- From now on one name is read as another.
insert into joined_names by name select $kind as kind, $dropped as name, $kept as kept, $load as load
