-- a row is a component position and one that holds it (itself, or an assembly it is supplied in, at any depth): from
-- one step to the next, position k goes with position k where both have as many, else every one with every one
create or replace temp table within as
with recursive steps as (
    select
        i.family,
        i.component,
        unnest(range(1, i.positions + 1)) as position,
        o.component as holder,
        i.positions = o.positions as one_to_one,
        o.positions as holder_positions
    from known_components as i
    inner join known_components as o on i.family = o.family and i.supplied_in = o.component
),
held as (
    select
        family,
        component,
        position,
        holder,
        unnest(case when one_to_one then [position] else range(1, holder_positions + 1) end) as holder_position
    from steps
),
chain as (
    select
        family,
        component,
        unnest(range(1, positions + 1)) as position,
        component as holder,
        unnest(range(1, positions + 1)) as holder_position
    from known_components
    union
    select
        chain.family,
        chain.component,
        chain.position,
        held.holder,
        held.holder_position
    from chain
    inner join held
        on chain.family = held.family and chain.holder = held.component and chain.holder_position = held.position
)
select
    chain.*,
    c.supplied_in is null as holder_is_whole
from chain
inner join known_components as c on chain.family = c.family and chain.holder = c.component
