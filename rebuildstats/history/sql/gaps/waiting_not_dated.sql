-- A row per teardown that names a part it waited for without saying from when until when.
select job || ' ' || waiting_for as example from known_teardowns
where waiting_for is not null and (waiting_from is null or (waiting_until is null and closed_on is not null))
order by opened_on desc, job
