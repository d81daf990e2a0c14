-- A row per teardown without outside cost.
select job as example from known_teardowns where outside_cost is null order by opened_on desc, job
