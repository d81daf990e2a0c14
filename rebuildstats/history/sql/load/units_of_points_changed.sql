-- A row per point whose readings are in another unit from this load on, while readings in the old one are stored.
select t.family, t.point, g.reading_unit as before, t.reading_unit as now, count(*) as readings
from typed_points t join points g using (family, point)
  join findings f on f.point = g.point and f.reading is not null join teardowns d on d.job = f.job join units u on u.unit = d.unit and u.family = g.family
where lower(t.reading_unit) <> lower(g.reading_unit)
group by all order by all
