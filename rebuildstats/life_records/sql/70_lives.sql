-- a row is the life of one component position: exact where lower_age = upper_age, right-censored without upper_age
create or replace temp view lives as
select
    p.family,
    p.component,
    p.position,
    u.unit,
    l.number::bigint as number,
    l.entry_age::double as entry_age,
    l.lower_age::double as lower_age,
    l.upper_age::double as upper_age,
    opening.job as opened_by,
    closing.job as closed_by,
    l.part,
    r.site,
    r.duty,
    opening.bench,
    opening.opened_on,
    closing.opened_on as closed_on,
    l.opened_by is null as first_life,
    l.ended_as as "end",
    p."group",
    p.shows,
    l.start_mileage::double as opened_mileage,
    coalesce(b.good_before, l.entry_age)::double as good_before,
    coalesce(r.duty_share, 1.0)::double as duty_share
from all_lives as l
inner join places as p using (place_id)
inner join first_sight as u using (unit_id)
left join teardown_order as opening on l.opened_by = opening.job_id
left join teardown_order as closing on l.closed_by = closing.job_id
left join run_between as r
    on l.unit_id = r.unit_id
    and coalesce(l.opened_by, 0) = coalesce(r.opened_by, 0)
    and coalesce(l.closed_by, 0) = coalesce(r.closed_by, 0)
left join good_before as b on l.unit_id = b.unit_id and l.place_id = b.place_id and l.stay = b.stay
where l.left_out is null
order by l.place_id, l.unit_id, l.number
