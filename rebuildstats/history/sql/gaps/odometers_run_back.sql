-- A row per odometer of a fitment, removal or teardown that lies lower than one known before, on a vehicle that never had its
-- meter changed: by anything within one fitment, by more than a hundredth (and half a day's run) between two
-- sources, which round and guess apart.
with seen as (
  select vehicle, fitted_on as day, fitted_odometer as odometer, 'at fitting of ' || unit as what from known_fitments where fitted_odometer is not null
  union all
  select vehicle, removed_on, removed_odometer, 'at removal of ' || unit from known_fitments
  where removed_on is not null and removed_odometer is not null and coalesce(removed_odometer >= fitted_odometer, true)
  union all
  select vehicle, opened_on, odometer, 'in job ' || job from known_teardowns where vehicle is not null and odometer is not null
  union all
  select vehicle, read_on, odometer, null from known_odometers
), steps as (
  select *, max(odometer) over w as before, arg_max(day, odometer) over w as day_before, arg_max(coalesce(what, 'when read'), odometer) over w as what_before
  from seen
  window w as (partition by vehicle order by day range between unbounded preceding and interval 1 day preceding)
)
select vehicle || ': ' || before::BIGINT || ' ' || what_before || ' on ' || day_before || ', ' || odometer::BIGINT || ' '
  || coalesce(what, 'when read') || ' on ' || day as example
from steps
where odometer < before - greatest(before / 100, $most_a_day / 2) and not (what is null and what_before = 'when read')
  and vehicle not in (select vehicle from known_odometers where meter > 1)
union
select unit || ' in ' || vehicle || ': ' || fitted_odometer::BIGINT || ' at fitting, ' || removed_odometer::BIGINT || ' at removal'
from known_fitments f
where removed_odometer < fitted_odometer
  and vehicle not in (select vehicle from known_odometers where meter > 1)
order by example
