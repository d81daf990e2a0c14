-- a row is a vehicle and a family of which a unit was in it; one that had none goes to the first family
create or replace temp table vehicle_places as
with touched as (
    select f.vehicle, p.place
    from known_fitments as f
    inner join unit_places as p using (unit)
    union
    select t.vehicle, p.place
    from known_teardowns as t
    inner join unit_places as p using (unit)
    where t.vehicle is not null
),
every as (
    select vehicle from known_vehicles
    union
    select vehicle from known_odometers
)
select vehicle, place from touched
union
select e.vehicle, 0 from every as e
anti join touched as t using (vehicle)
