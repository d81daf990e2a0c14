-- a row is a unit with the number of its family
create or replace temp table unit_places as
select u.unit, n.place
from known_units as u
inner join family_numbers as n using (family)
