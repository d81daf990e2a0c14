-- A row per component that can be bought by itself and for which no part is listed.
select family || ' ' || component as example from known_components
where supplied_in is null and (family, component) not in (select (family, component) from known_part_uses)
order by family, component
