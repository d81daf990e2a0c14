-- a row is what became of one kind of finding, teardown, stay or life, with its count
create or replace temp table counts as
with finding_fates as (
    select
        case
            when a.job_id is null then 'its component is none of the family''s'
            when a.failed_before then 'after its position had failed and been left in'
            when f.verdict = 'fail' and a.age is null then 'fail at an unknown age: ends the life where last known good'
            when f.verdict = 'fail' and f.role = 'cause' then 'fail, exact (cause)'
            when f.verdict = 'fail' and f.role = 'consequence' then 'damage by another: no failure of its own'
            when f.verdict = 'fail' then 'fail, between two ages'
            when f.verdict = 'ok' and a.age is null then 'ok at an unknown age'
            when f.verdict = 'ok' then 'ok: known good to its age'
            when f.action = 'replace' then 'replaced with no verdict'
            when f.verdict = 'not_checked' then 'not checked'
            else 'no verdict'
        end as what
    from known_findings as f
    inner join teardown_order as t using (job)
    left join places as p on t.family = p.family and f.component = p.component and f.position = p.position
    left join ages as a on t.job_id = a.job_id and p.place_id = a.place_id
),
teardown_fates as (
    select
        case
            when mileage is null then 'mileage can''t be had: counts for proportions, not for ages'
            when is_given then 'mileage given'
            else 'mileage from the fitments'
        end as what
    from unit_mileage
),
together as (
    select 1 as place, 'finding' as step, what from finding_fates
    union all
    select 2, 'teardown', what from teardown_fates
    union all
    select 3, 'stay', case when is_begun then 'a life begun' else 'of unknown age: no life until renewed' end from stays
    union all
    select
        4,
        'life',
        coalesce(
            'left out: ' || left_out,
            case
                when upper_age is null then 'right-censored'
                when upper_age = lower_age then 'exact'
                else 'between two ages'
            end
        )
    from all_lives
    union all
    select 5, 'always', 'renewed at a rebuild but not recorded'
    from ages as a
    inner join places as p using (place_id)
    inner join teardown_order as t using (job_id)
    where p.renewal = 'always' and t.scope = 'rebuild' and not a.recorded
)
select
    step,
    what,
    count(*)::bigint as "count"
from together
group by place, step, what
order by place, step, what
