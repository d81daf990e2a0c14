-- A row per name used in a list that need not know it, but that stands in no list of its own.
with used as (
  select 'part' as kind, part as name, 'replaced in ' || job as place from known_findings where part is not null
  union all select 'part', waiting_for, 'waited for in ' || job from known_teardowns where waiting_for is not null
  union all select 'vehicle', vehicle, 'of job ' || job from known_teardowns where vehicle is not null
  union all select 'family', family, 'planned as ' || plan from known_planned where family is not null
), listed as (
  select 'part' as kind, part as name from known_parts
  union all select 'vehicle', vehicle from known_vehicles
  union all select 'family', family from known_units
  union all select 'family', family from known_components
), counted as (
  select kind, name, count(*) as times, min(place) as place from used
  where (kind, name) not in (select (kind, name) from listed) and kind in (select kind from listed)
  group by kind, name
)
select kind || ' ' || name || ': ' || place || case when times > 1 then ' and ' || times - 1 || ' more' else '' end as example
from counted order by times desc, example
