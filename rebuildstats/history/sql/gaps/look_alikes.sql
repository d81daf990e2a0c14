-- A row per set of serials, parts or vehicles that look alike: equal but for case, blanks, hyphens and the letters O, I, L, S, B, Z beside 0, 1, 1, 5, 8, 2.
with names as (
  select 'unit' as kind, unit as name from known_units
  union all select 'part', part from known_parts
  union all select 'vehicle', vehicle from known_vehicles
)
select kind || ' ' || string_agg(name, ' and ' order by name) as example
from names
group by kind, translate(regexp_replace(upper(name), '[^\p{L}\p{N}]', '', 'g'), 'OILSBZ', '011582')
having count(*) > 1
order by kind, example
