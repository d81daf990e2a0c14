-- a row is a place in a family's design: one position of one component
create or replace temp table places as
with listed as (
    select
        *,
        unnest(range(1, positions + 1)) as position
    from known_components
)
select
    row_number() over (order by family, component, position)::integer as place_id,
    family,
    component,
    position::bigint as position,
    "group",
    renewal,
    shows = 'in_service' as shows_in_service,
    shows,
    supplied_in
from listed
