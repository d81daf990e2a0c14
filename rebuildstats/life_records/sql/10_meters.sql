-- a row is one meter of one vehicle: what to add to its readings so that all meters of the vehicle join end to end,
-- and the day from which it is the meter in force
create or replace temp table meters as
with spans as (
    select
        vehicle,
        meter,
        min(read_on) as first_read_on,
        min(odometer) as first_odometer,
        max(odometer) as last_odometer
    from known_odometers
    group by vehicle, meter
)
select
    vehicle,
    meter,
    first_read_on,
    first_value(first_odometer) over earlier_and_this
        + coalesce(sum(last_odometer - first_odometer) over earlier, 0)
        - first_odometer as added
from spans
window
    earlier as (partition by vehicle order by meter rows between unbounded preceding and 1 preceding),
    earlier_and_this as (partition by vehicle order by meter rows between unbounded preceding and current row)
