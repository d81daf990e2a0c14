-- a row of a job as it stood until a later load: when it went, by whom and why
select {columns}, r._load as load, r._until_load as until_load, r._until as at, r._who as who, r._why as why
from past.{table} r
where r.job = $job
order by r._until_load
