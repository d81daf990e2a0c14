-- a row is a place where a teardown fitted a part that was written down: of several findings the first point's
create or replace temp table fitted_parts as
select
    job_id,
    place_id,
    arg_min(part, point) as part
from findings_numbered
where part is not null
group by job_id, place_id
