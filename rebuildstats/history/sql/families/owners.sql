-- a row is a vehicle and the one family that speaks for it where the whole fleet's mileage is reckoned
create or replace temp table vehicle_owners as
select vehicle, min(place) as place
from vehicle_places
group by vehicle
