-- a row is a unit's stay between rebuilds: from first sight or a rebuild to the next rebuild, or to today
create or replace temp table unit_stays as
with rebuilds as (
    select
        t.unit,
        t.job,
        t.reason,
        t.bench,
        t.opened_on,
        t.teardown_number,
        m.mileage,
        max(m.mileage) over (
            partition by t.unit order by t.teardown_number rows between unbounded preceding and 1 preceding
        ) as mileage_before,
        count(*) filter (t.scope = 'rebuild') over (
            partition by t.unit order by t.teardown_number rows between unbounded preceding and current row
        ) as rebuild_number
    from teardown_order as t
    inner join unit_mileage as m using (job)
    qualify t.scope = 'rebuild'
),
begins as (
    select
        unit,
        0 as rebuild_number,
        null::varchar as opened_by,
        null::varchar as bench,
        null::date as opened_on,
        -- a rebuilt unit starts afresh at first sight; the age of a used one of unknown mileage isn't known
        case
            when is_original then 0
            when origin = 'rebuilt' then mileage
        end as start_mileage,
        case when is_original and origin = 'used' then known_mileage else 0 end as entry_age,
        0 as teardown_number
    from first_sight
    union all
    select unit, rebuild_number, job, bench, opened_on, mileage, 0, teardown_number
    from rebuilds
)
select
    b.unit,
    u.family,
    b.rebuild_number,
    b.opened_by,
    b.bench,
    b.opened_on,
    b.start_mileage,
    b.entry_age,
    b.teardown_number,
    r.job as closed_by,
    r.opened_on as closed_on,
    r.reason as ended_as,
    not_below_zero(r.mileage - b.start_mileage) as end_age,
    -- after a rebuild at an unknown mileage all that is known is that the unit ran until the teardown before it
    greatest(
        b.entry_age,
        not_below_zero(case when r.job is null then u.mileage else coalesce(r.mileage, r.mileage_before) end - b.start_mileage)
    ) as good_age
from begins as b
left join rebuilds as r on b.unit = r.unit and b.rebuild_number + 1 = r.rebuild_number
inner join unit_today as u on b.unit = u.unit
