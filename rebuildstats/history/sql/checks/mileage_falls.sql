-- A unit's given mileage that falls from one teardown to the next. One row per given mileage, stored or new, of the units where it
-- falls somewhere; which rows to reject is decided from these (`falling.py`): the fewest, on a tie the later.
with given as (
  select unit as series, opened_on as day, unit_mileage as value, _row from typed_teardowns where unit_mileage is not null
  union all
  select unit, opened_on, unit_mileage, null from teardowns
  where unit_mileage is not null and unit in (select unit from typed_teardowns) and job not in (select job from typed_teardowns)
), steps as (
  select *, lag(value) over (partition by series order by day, value) as before from given
)
select series, day, value, _row from steps
where series in (select series from steps where value < before)
order by series, day, value, _row
