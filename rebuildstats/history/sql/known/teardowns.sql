-- a row is a teardown opened by the day asked for; what is only known once it is closed is blank until then
create or replace temp table known_teardowns as
select
    job,
    unit,
    opened_on,
    unit_mileage,
    nullif(vehicle, '') as vehicle,
    odometer,
    lower(nullif(reason, '')) as reason,
    coalesce(lower(nullif(scope, '')), 'rebuild') as scope,
    nullif(complaint, '') as complaint,
    nullif(site, '') as site,
    nullif(bench, '') as bench,
    case when closed_on <= $as_of then closed_on end as closed_on,
    case when waiting_from <= $as_of then waiting_from end as waiting_from,
    case when waiting_until <= $as_of then waiting_until end as waiting_until,
    case when waiting_from is null or waiting_from <= $as_of then nullif(waiting_for, '') end as waiting_for,
    case when closed_on is null or closed_on <= $as_of then labour_hours end as labour_hours,
    case when closed_on is null or closed_on <= $as_of then outside_cost end as outside_cost
from teardowns
where opened_on <= $as_of
