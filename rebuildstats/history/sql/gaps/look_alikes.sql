-- A row per set of serials, parts or vehicles that look alike: case, accents, blanks, signs and leading zeros apart they are one, and so are the letters O, I, L, S, B, Z and 0, 1, 1, 5, 8, 2.
with names as (
  select 'unit' as kind, unit as name from known_units
  union all select 'part', part from known_parts
  union all select 'vehicle', vehicle from known_vehicles
)
select kind || ' ' || string_agg(name, ' and ' order by name) as example
from names
group by kind, shape_of(name)
having count(*) > 1
order by kind, example
