-- A row per teardown without labour hours; those of a job still open aren't known yet.
select t.job as example from known_teardowns t where t.labour_hours is null and t.job in (from settled_jobs) order by t.opened_on desc, t.job
