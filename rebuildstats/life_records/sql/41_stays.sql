-- a row is one stay of one component position, from first sight or from a renewal: the unit's mileage at which its
-- age was 0 (NULL: not known), the age at which it came under observation, and its number among the lives begun
create or replace temp table stays as
with first_stays as (
    select
        s.unit,
        s.family,
        c.component,
        unnest(range(1, c.positions + 1)) as position,
        0 as stay,
        case
            when s.is_original then 0
            when c.renewal = 'always' then s.mileage
        end as start_mileage,
        -- a failed one that shows in service would not have come; one that doesn't may already have been bad
        case when s.is_original and s.origin = 'used' and c.shows = 'in_service' then s.known_mileage else 0 end as entry_age,
        s.is_original or c.renewal = 'always' as is_begun,
        c.shows,
        null::varchar as opened_by,
        null::varchar as part
    from first_sight as s
    inner join known_components as c using (family)
),
later_stays as (
    select
        unit,
        family,
        component,
        position,
        stay + 1 as stay,
        mileage as start_mileage,
        0 as entry_age,
        true as is_begun,
        shows,
        job as opened_by,
        part
    from examinations
    where renewed
),
together as (
    select * from first_stays
    union all
    select * from later_stays
)
select
    unit,
    family,
    component,
    position,
    stay,
    start_mileage,
    entry_age,
    is_begun,
    shows,
    opened_by,
    part,
    sum(is_begun::integer) over (
        partition by unit, component, position order by stay rows between unbounded preceding and current row
    ) as number
from together
