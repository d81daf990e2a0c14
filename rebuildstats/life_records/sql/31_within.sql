-- a row is a place and one that holds it (itself, or an assembly it is supplied in, at any depth): from one step to
-- the next, position k goes with position k where both have as many, else every one with every one
create or replace temp table within as
with recursive sizes as (
    select family, component, positions from known_components
),
held as (
    select
        inner_place.place_id,
        outer_place.place_id as holder_id
    from places as inner_place
    inner join places as outer_place
        on inner_place.family = outer_place.family and inner_place.supplied_in = outer_place.component
    inner join sizes as inner_size
        on inner_place.family = inner_size.family and inner_place.component = inner_size.component
    inner join sizes as outer_size
        on outer_place.family = outer_size.family and outer_place.component = outer_size.component
    where inner_size.positions <> outer_size.positions or inner_place.position = outer_place.position
),
chain as (
    select place_id, place_id as holder_id from places
    union
    select chain.place_id, held.holder_id
    from chain
    inner join held on chain.holder_id = held.place_id
)
select
    chain.place_id,
    chain.holder_id,
    holder.supplied_in is null as holder_is_whole
from chain
inner join places as holder on chain.holder_id = holder.place_id
