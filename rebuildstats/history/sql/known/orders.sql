-- a row is a line of an order placed by the day asked for; a receipt after it isn't known yet
create or replace temp table known_orders as
select
    "order",
    part,
    nullif(site, '') as site,
    ordered_on,
    quantity,
    due_on,
    case when received_on <= $as_of then received_on end as received_on,
    case when received_on <= $as_of then received_quantity end as received_quantity
from orders
where ordered_on is null or ordered_on <= $as_of
