-- a row is one stay of one component position, from first sight or from a renewal: the unit's mileage at which its
-- age was 0 (NULL: not known), the age at which it came under observation, and its number among the lives begun
create or replace temp table stays as
with first_stays as (
    select
        s.unit_id,
        p.place_id,
        0 as stay,
        case
            when s.is_original then 0
            when p.renewal = 'always' then s.mileage
        end as start_mileage,
        -- a failed one that shows in service would not have come; one that doesn't may already have been bad
        case when s.is_original and s.origin = 'used' and p.shows_in_service then s.known_mileage else 0 end as entry_age,
        s.is_original or p.renewal = 'always' as is_begun,
        null::integer as opened_by,
        null::varchar as part
    from first_sight as s
    inner join places as p using (family)
),
later_stays as (
    select
        e.unit_id,
        e.place_id,
        e.stay + 1 as stay,
        e.mileage as start_mileage,
        0 as entry_age,
        true as is_begun,
        e.job_id as opened_by,
        f.part
    from examinations as e
    left join fitted_parts as f on e.job_id = f.job_id and e.place_id = f.place_id
    where e.renewed
),
together as (
    select * from first_stays
    union all
    select * from later_stays
)
select
    t.unit_id,
    t.place_id,
    t.stay,
    t.start_mileage,
    t.entry_age,
    t.is_begun,
    p.shows_in_service,
    t.opened_by,
    t.part,
    -- a stay of unknown age at first sight isn't counted
    t.stay + (s.is_original or p.renewal = 'always')::integer as number
from together as t
inner join first_sight as s using (unit_id)
inner join places as p using (place_id)
