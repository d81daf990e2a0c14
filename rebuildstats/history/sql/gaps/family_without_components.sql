-- A row per family of units that has no components.
select family || ': ' || count(*) || ' units' as example
from known_units where family not in (select family from known_components) group by family order by count(*) desc, family
