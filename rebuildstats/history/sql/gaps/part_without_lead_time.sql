-- A row per part in use without a lead time.
select part as example from known_parts
where lead_time_days is null and replaced_by is null and part in (select part from known_part_uses) order by part
