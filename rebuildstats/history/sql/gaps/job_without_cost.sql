-- A row per teardown without outside cost; that of a job still open isn't known yet.
select t.job as example from known_teardowns t where t.outside_cost is null and t.job in (from settled_jobs) order by t.opened_on desc, t.job
