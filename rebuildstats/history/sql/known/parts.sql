-- a row is a part number
create or replace temp table known_parts as
select
    part,
    nullif(name, '') as name,
    unit_cost,
    coalesce(pack_size, 1) as pack_size,
    min_order,
    nullif(supplier, '') as supplier,
    lead_time_days,
    lead_time_sd_days,
    shelf_life_days,
    core_charge,
    nullif(replaced_by, '') as replaced_by
from parts
