-- A row per closed teardown without labour hours.
select job as example from known_teardowns where labour_hours is null order by opened_on desc, job
