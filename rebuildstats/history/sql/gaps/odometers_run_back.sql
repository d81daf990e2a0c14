-- A row per fitment whose odometer at removal lies below the one at fitting, on a vehicle that never had its meter changed.
select unit || ' in ' || vehicle || ': ' || fitted_odometer::BIGINT || ' at fitting, ' || removed_odometer::BIGINT || ' at removal' as example
from known_fitments f
where removed_odometer < fitted_odometer
  and not exists (select 1 from known_odometers o where o.vehicle = f.vehicle and o.meter > 1)
order by unit, fitted_on
