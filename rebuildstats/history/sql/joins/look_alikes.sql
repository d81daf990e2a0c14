-- A row per pair of names that look alike: case, accents, blanks, signs and leading zeros apart they are one, and so are the letters O, I, L, S, B, Z and 0, 1, 1, 5, 8, 2;
-- with how often each is named.
with uses as (
  select 'unit' as kind, unit as name from units
  union all select 'unit', unit from fitments
  union all select 'unit', unit from teardowns
  union all select 'part', part from parts
  union all select 'part', part from part_uses
  union all select 'part', part from issued_parts
  union all select 'part', part from findings where part is not null
  union all select 'vehicle', vehicle from vehicles
  union all select 'vehicle', vehicle from odometers
  union all select 'vehicle', vehicle from fitments
), names as (
  select kind, name, count(*) as rows_of, shape_of(name) as shape
  from uses group by kind, name
)
select a.kind, a.name as one, b.name as other, a.rows_of as rows_one, b.rows_of as rows_other
from names a join names b using (kind, shape)
where (a.rows_of, b.name) > (b.rows_of, a.name)
order by a.kind, one, other
