-- one row: the latest date in the tables as known on the day asked for, NULL where there is none
select max(day) as last_known
from (
    select max(read_on) as day from known_odometers
    union all select max(fitted_on) from known_fitments
    union all select max(removed_on) from known_fitments
    union all select max(opened_on) from known_teardowns
    union all select max(issued_on) from known_issued_parts
    union all select max(counted_on) from known_stock
)
