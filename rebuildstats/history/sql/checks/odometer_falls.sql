-- An odometer reading that falls on one and the same meter. One row per reading, stored or new, of the meters where it falls somewhere;
-- which rows to reject is decided from these (`falling.py`): the fewest, on a tie the later.
with given as (
  select vehicle || ' / ' || meter as series, read_on as day, odometer as value, _row from typed_odometers
  union all
  select o.vehicle || ' / ' || o.meter, o.read_on, o.odometer, null from odometers o
  where o.vehicle in (select vehicle from typed_odometers)
    and not exists (
      select 1 from typed_odometers t where t.vehicle = o.vehicle and t.read_on = o.read_on and t.meter = o.meter
    )
), steps as (
  select *, lag(value) over (partition by series order by day, value) as before from given
)
select series, day, value, _row from steps
where series in (select series from steps where value < before)
order by series, day, value, _row
