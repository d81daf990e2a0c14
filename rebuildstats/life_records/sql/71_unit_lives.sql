-- a row is the life of one unit between rebuilds: exact where it came back failed, else right-censored
create or replace temp view unit_lives as
select
    f.family,
    null::varchar as component,
    null::bigint as position,
    f.unit,
    -- a stay of unknown age at first sight isn't counted
    (s.rebuild_number + (f.is_original or f.origin = 'rebuilt')::integer)::bigint as number,
    s.entry_age::double as entry_age,
    case when s.ended_as in ('failure', 'comeback') and s.end_age is not null then s.end_age else s.good_age end::double
        as lower_age,
    case when s.ended_as in ('failure', 'comeback') then s.end_age end::double as upper_age,
    opening.job as opened_by,
    closing.job as closed_by,
    null::varchar as part,
    r.site,
    r.duty,
    opening.bench,
    opening.opened_on,
    closing.opened_on as closed_on,
    s.opened_by is null as first_life,
    s.ended_as as "end",
    f.origin,
    s.start_mileage::double as opened_mileage,
    coalesce(r.duty_share, 1.0)::double as duty_share
from unit_stays as s
inner join first_sight as f using (unit_id)
left join teardown_order as opening on s.opened_by = opening.job_id
left join teardown_order as closing on s.closed_by = closing.job_id
left join run_between as r
    on s.unit_id = r.unit_id
    and coalesce(s.opened_by, 0) = coalesce(r.opened_by, 0)
    and coalesce(s.closed_by, 0) = coalesce(r.closed_by, 0)
where
    s.start_mileage is not null
    and (
        (s.ended_as in ('failure', 'comeback') and s.end_age is not null)
        or s.good_age > s.entry_age
    )
order by f.family, f.unit, s.rebuild_number
