-- A row per unit that was never seen in a vehicle.
select u.unit as example from known_units u where not exists (select 1 from known_fitments f where f.unit = u.unit) order by u.unit
