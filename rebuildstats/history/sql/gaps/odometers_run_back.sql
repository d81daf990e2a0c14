-- A row per odometer of a fitment, removal, teardown or reading that contradicts others of its vehicle, which never had its meter
-- changed: a later one lies lower, by anything within one fitment, by more than a hundredth (and half a day's run) between two sources,
-- which round and guess apart. Of two that contradict each other the one is told that more others contradict; where that says
-- nothing, both are.
with noted as (
  select vehicle, fitted_on as day, fitted_odometer as odometer, 'at fitting of ' || unit as what from known_fitments where fitted_odometer is not null
  union all
  select vehicle, removed_on, removed_odometer, 'at removal of ' || unit from known_fitments
  where removed_on is not null and removed_odometer is not null and coalesce(removed_odometer >= fitted_odometer, true)
  union all
  select vehicle, opened_on, odometer, 'in job ' || job from known_teardowns where vehicle is not null and odometer is not null
), seen as (
  select row_number() over (order by vehicle, day, odometer, what) as place, *
  from (from noted union all select vehicle, read_on, odometer, 'when read' from known_odometers)
  where vehicle in (select vehicle from noted) and vehicle not in (select vehicle from known_odometers where meter > 1)
), highest as (
  select *, max(odometer) over (partition by vehicle order by day range between unbounded preceding and interval 1 day preceding) as before
  from seen
), doubtful as (
  select s.*, odometer::BIGINT || ' ' || what || ' on ' || day as told from seen s
  where vehicle in (select vehicle from highest where odometer < before - greatest(before / 100, $most_a_day / 2))
), pairs as (
  select a.place as one, b.place as other
  from doubtful a join doubtful b on a.vehicle = b.vehicle and a.day < b.day
  where b.odometer < a.odometer - greatest(a.odometer / 100, $most_a_day / 2) and not (a.what = 'when read' and b.what = 'when read')
), sides as (
  select one as place, other as opposite from pairs union all select other, one from pairs
), weighed as (
  select s.place, s.opposite, count(*) over (partition by s.place) as against, count(*) over (partition by s.opposite) as against_opposite from sides s
), wrong as (
  select place, max(against) as against, min(opposite) as opposite from weighed where against > against_opposite group by place
)
select d.vehicle || ': ' || d.told || ', against ' || w.against || ' others such as ' || o.told as example, w.against as weight
from wrong w join doubtful d using (place) join doubtful o on o.place = w.opposite
union all
select d.vehicle || ': ' || d.told || ' or ' || o.told || ', one of the two', 1
from pairs p join doubtful d on d.place = p.one join doubtful o on o.place = p.other
where p.one not in (select place from wrong) and p.other not in (select place from wrong)
union all
select distinct unit || ' in ' || vehicle || ': ' || fitted_odometer::BIGINT || ' at fitting, ' || removed_odometer::BIGINT || ' at removal', 1
from known_fitments f
where removed_odometer < fitted_odometer
  and vehicle not in (select vehicle from known_odometers where meter > 1)
order by weight desc, example
