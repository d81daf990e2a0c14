-- a row is a stay of a unit in a vehicle, begun by the day asked for; an end that lies after it isn't known yet
create or replace temp table known_fitments as
select
    unit,
    vehicle,
    fitted_on,
    fitted_odometer,
    case when removed_on <= $as_of then removed_on end as removed_on,
    case when removed_on <= $as_of then removed_odometer end as removed_odometer
from fitments
where fitted_on <= $as_of
