-- A row per part in use that was never counted on any shelf.
select part as example from known_parts
where replaced_by is null and part in (select part from known_part_uses) and part not in (select part from known_stock) order by part
