-- a row is a teardown with its unit's mileage: the given one, else what follows from the fitments, else NULL
create or replace temp table unit_mileage as
with run as (
    select job_id, sum(distance order by distance) as distance, bool_and(distance is not null) as is_known
    from distance_at_teardown
    group by job_id
),
found as (
    select
        t.job_id,
        s.unit_id,
        t.unit_mileage,
        case
            when s.has_fitments and coalesce(run.is_known, true) then s.mileage + coalesce(run.distance, 0)
        end as derived_mileage
    from teardown_order as t
    inner join first_sight as s using (unit)
    left join run using (job_id)
)
select
    job_id,
    unit_id,
    coalesce(
        unit_mileage,
        -- never below what the unit had run at an earlier teardown
        case
            when derived_mileage is not null
                then greatest(
                    derived_mileage,
                    max(coalesce(unit_mileage, derived_mileage)) over (
                        partition by unit_id order by job_id rows between unbounded preceding and 1 preceding
                    )
                )
        end
    ) as mileage,
    unit_mileage is not null as is_given
from found
