-- A row per vehicle in service that a unit sits in and whose odometer was never read, or not in the last half year.
select v.vehicle || coalesce(': last read ' || max(o.read_on), ': never read') as example
from known_vehicles v left join known_odometers o using (vehicle)
where (v.out_of_service_on is null or v.out_of_service_on > $as_of)
  and exists (select 1 from known_fitments f where f.vehicle = v.vehicle and f.removed_on is null)
group by v.vehicle
having max(o.read_on) is null or max(o.read_on) < $as_of - 182
order by max(o.read_on) nulls first, v.vehicle
