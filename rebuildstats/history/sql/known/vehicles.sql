-- a row is a vehicle
create or replace temp table known_vehicles as
select
    vehicle,
    nullif(site, '') as site,
    nullif(duty, '') as duty,
    in_service_on,
    out_of_service_on
from vehicles
