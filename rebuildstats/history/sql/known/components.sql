-- a row is a component of a family, defaults filled in
create or replace temp table known_components as
select
    family,
    component,
    nullif(name, '') as name,
    nullif("group", '') as "group",
    coalesce(positions, 1) as positions,
    coalesce(lower(nullif(renewal, '')), 'on_condition') as renewal,
    nullif(supplied_in, '') as supplied_in,
    coalesce(lower(nullif(shows, '')), 'at_teardown') as shows,
    coalesce(safety, false) as safety
from components
