-- Every write of history with how many rows came and changed, newest first.
select l.load, l.loaded_at as at, l.who, l.kind, l.what, coalesce(sum(c.new), 0)::BIGINT as new,
  coalesce(sum(c.changed), 0)::BIGINT as changed, l.undone_by
from loads l left join load_counts c using (load)
group by all order by l.load desc
