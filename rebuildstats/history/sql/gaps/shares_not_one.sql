-- A row per choice of parts whose shares do not add up to one.
select family || ' ' || component || ' ' || choice || ': ' || round(sum(coalesce(share, 0)), 4) as example
from known_part_uses where choice is not null
group by family, component, choice having abs(sum(coalesce(share, 0)) - 1) > 0.005
order by family, component, choice
