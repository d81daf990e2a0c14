-- A row per gauge point without any limit.
select family || ' ' || point as example from known_points
where method = 'gauge' and low_limit is null and high_limit is null order by family, point
