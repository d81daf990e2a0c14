-- a row is a booked teardown (or a campaign) that is still to come on the day asked for
create or replace temp table known_planned as
select
    plan,
    due_on,
    nullif(unit, '') as unit,
    nullif(family, '') as family,
    coalesce("count", 1) as "count",
    lower(nullif(reason, '')) as reason,
    nullif(complaint, '') as complaint
from planned
where due_on >= $as_of
