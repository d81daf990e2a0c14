-- a row is a unit's stay between rebuilds: from first sight or a rebuild to the next rebuild, or to today
create or replace temp table unit_stays as
with rebuilds as (
    select
        m.unit_id,
        t.job_id,
        t.reason,
        m.mileage,
        max(m.mileage) over (
            partition by m.unit_id order by t.job_id rows between unbounded preceding and 1 preceding
        ) as mileage_before,
        (
            count(*) filter (t.scope = 'rebuild') over (
                partition by m.unit_id order by t.job_id rows between unbounded preceding and current row
            )
        )::integer as rebuild_number
    from teardown_order as t
    inner join unit_mileage as m using (job_id)
    qualify t.scope = 'rebuild'
),
begins as (
    select
        unit_id,
        0 as rebuild_number,
        null::integer as opened_by,
        -- a rebuilt unit starts afresh at first sight; the age of a used one of unknown mileage isn't known
        case
            when is_original then 0
            when origin = 'rebuilt' then mileage
        end as start_mileage,
        case when is_original and origin = 'used' then known_mileage else 0 end as entry_age
    from first_sight
    union all
    select unit_id, rebuild_number, job_id, mileage, 0
    from rebuilds
)
select
    b.unit_id,
    b.rebuild_number,
    b.opened_by,
    b.start_mileage,
    b.entry_age,
    r.job_id as closed_by,
    r.reason as ended_as,
    not_below_zero(r.mileage - b.start_mileage) as end_age,
    -- after a rebuild at an unknown mileage all that is known is that the unit ran until the teardown before it
    greatest(
        b.entry_age,
        not_below_zero(case when r.job_id is null then u.mileage else coalesce(r.mileage, r.mileage_before) end - b.start_mileage)
    ) as good_age
from begins as b
left join rebuilds as r on b.unit_id = r.unit_id and b.rebuild_number + 1 = r.rebuild_number
inner join unit_today as u on b.unit_id = u.unit_id
