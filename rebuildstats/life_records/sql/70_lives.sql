-- a row is the life of one component position: exact where lower_age = upper_age, right-censored without upper_age
create or replace temp table lives as
select
    l.family,
    l.component,
    l.position,
    l.unit,
    l.number,
    l.entry_age::double as entry_age,
    l.lower_age::double as lower_age,
    l.upper_age::double as upper_age,
    l.opened_by,
    l.closed_by,
    l.part,
    r.site,
    r.duty,
    opening.bench,
    opening.opened_on,
    closing.opened_on as closed_on,
    l.opened_by is null as first_life,
    l.ended_as as "end",
    c."group",
    c.shows,
    l.start_mileage::double as opened_mileage
from all_lives as l
inner join known_components as c using (family, component)
left join teardown_order as opening on l.opened_by = opening.job
left join teardown_order as closing on l.closed_by = closing.job
left join run_between as r
    on l.unit = r.unit
    and l.opened_by is not distinct from r.opened_by
    and l.closed_by is not distinct from r.closed_by
where l.known
order by l.family, l.component, l.unit, l.position, l.number
