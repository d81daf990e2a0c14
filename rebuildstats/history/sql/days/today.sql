-- one row: the latest date on which anything was seen, NULL in an empty history
select max(day) as today
from (
    select max(read_on) as day from odometers
    union all select max(fitted_on) from fitments
    union all select max(removed_on) from fitments
    union all select max(opened_on) from teardowns
    union all select max(issued_on) from issued_parts
    union all select max(counted_on) from stock
)
