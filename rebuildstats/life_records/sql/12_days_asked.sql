-- a row is a vehicle and a day on which its distance is asked for: fittings, removals, teardowns, today
create or replace temp table days_asked as
select vehicle, fitted_on as day from known_fitments
union
select vehicle, removed_on from known_fitments where removed_on is not null
union
select f.vehicle, t.opened_on
from known_fitments as f
inner join known_teardowns as t
    on f.unit = t.unit and f.fitted_on < t.opened_on and (f.removed_on is null or f.removed_on >= t.opened_on)
union
select vehicle, $as_of::date from known_fitments where removed_on is null
