-- a row is the count of a part on a shelf, taken by the day asked for
create or replace temp table known_stock as
select
    part,
    site,
    counted_on,
    on_hand,
    on_order
from stock
where counted_on is null or counted_on <= $as_of
