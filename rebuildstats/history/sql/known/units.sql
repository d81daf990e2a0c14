-- a row is a unit the shop had seen by the day asked for
create or replace temp table known_units as
select
    unit,
    family,
    lower(nullif(origin, '')) as origin,
    first_seen_on,
    first_seen_mileage
from units
where first_seen_on is null or first_seen_on <= $as_of
