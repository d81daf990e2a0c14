-- A row per part in use without a price.
select part as example from known_parts
where unit_cost is null and replaced_by is null and part in (select part from known_part_uses) order by part
