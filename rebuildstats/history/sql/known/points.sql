-- a row is an inspection point of a family
create or replace temp table known_points as
select
    family,
    point,
    component,
    lower(nullif(method, '')) as method,
    nullif(reading_unit, '') as reading_unit,
    as_new,
    low_limit,
    high_limit,
    nullif(caution, '') as caution
from points
