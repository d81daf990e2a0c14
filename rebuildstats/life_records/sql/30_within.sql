-- a row is a component position and one that holds it (itself, or an assembly it is supplied in, at any depth):
-- position k goes with position k where both have as many, else every one with every one
create or replace temp table within as
with recursive chain as (
    select family, component, component as holder, 0 as depth
    from known_components
    union all
    select chain.family, chain.component, c.supplied_in, chain.depth + 1
    from chain
    inner join known_components as c on chain.family = c.family and chain.holder = c.component
    where c.supplied_in is not null and chain.depth < 20
),
positions as (
    select family, component, positions, unnest(range(1, positions + 1)) as position
    from known_components
)
select distinct
    chain.family,
    chain.component,
    inner_positions.position,
    chain.holder,
    outer_positions.position as holder_position,
    outermost.supplied_in is null as holder_is_whole
from chain
inner join positions as inner_positions
    on chain.family = inner_positions.family and chain.component = inner_positions.component
inner join positions as outer_positions
    on chain.family = outer_positions.family
    and chain.holder = outer_positions.component
    and (inner_positions.positions <> outer_positions.positions or inner_positions.position = outer_positions.position)
inner join known_components as outermost on chain.family = outermost.family and chain.holder = outermost.component
