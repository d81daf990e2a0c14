-- A row per finding without verdict, reading, condition and action.
select job || ' ' || component || coalesce(' ' || point, '') as example from known_findings
where verdict is null and reading is null and condition is null and action is null
order by job, component, point
