-- a row is a part that a component of a family takes; share is 1 for a part without a choice
create or replace temp table known_part_uses as
select
    family,
    component,
    part,
    coalesce(quantity, 1) as quantity,
    nullif(choice, '') as choice,
    case when nullif(choice, '') is null then 1.0 else share end as share
from part_uses
