-- a row of a job as it stands, with the load that wrote it: when and by whom
select {columns}, r._load as load, l.loaded_at as at, l.who as who, l.kind as kind
from {table} r
left join loads l on l.load = r._load
where r.job = $job
order by all
