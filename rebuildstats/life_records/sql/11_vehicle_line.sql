-- a row is a point of a vehicle's line: the distance it had run by a day, its meters joined end to end
create or replace temp table vehicle_line as
select
    o.vehicle,
    o.read_on,
    max(o.odometer + m.added) as distance
from known_odometers as o
inner join meters as m using (vehicle, meter)
group by o.vehicle, o.read_on
order by o.vehicle, o.read_on
