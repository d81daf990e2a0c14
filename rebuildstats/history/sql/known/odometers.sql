-- a row is an odometer reading taken by the day asked for
create or replace temp table known_odometers as
select
    vehicle,
    read_on,
    odometer,
    coalesce(meter, 1) as meter
from odometers
where read_on <= $as_of
