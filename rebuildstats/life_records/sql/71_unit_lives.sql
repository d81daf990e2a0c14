-- a row is the life of one unit between rebuilds: exact where it came back failed, else right-censored
create or replace temp table unit_lives as
select
    s.family,
    null::varchar as component,
    null::bigint as position,
    s.unit,
    -- a stay of unknown age at first sight isn't counted
    (s.rebuild_number + (f.is_original or f.origin = 'rebuilt')::integer)::bigint as number,
    s.entry_age::double as entry_age,
    case when s.ended_as in ('failure', 'comeback') and s.end_age is not null then s.end_age else s.good_age end::double
        as lower_age,
    case when s.ended_as in ('failure', 'comeback') then s.end_age end::double as upper_age,
    s.opened_by,
    s.closed_by,
    null::varchar as part,
    r.site,
    r.duty,
    s.bench,
    s.opened_on,
    s.closed_on,
    s.opened_by is null as first_life,
    s.ended_as as "end",
    f.origin,
    s.start_mileage::double as opened_mileage
from unit_stays as s
inner join first_sight as f using (unit)
left join run_between as r
    on s.unit = r.unit
    and s.opened_by is not distinct from r.opened_by
    and s.closed_by is not distinct from r.closed_by
where
    s.start_mileage is not null
    and (
        (s.ended_as in ('failure', 'comeback') and s.end_age is not null)
        or s.good_age > s.entry_age
    )
order by s.family, s.unit, s.rebuild_number
