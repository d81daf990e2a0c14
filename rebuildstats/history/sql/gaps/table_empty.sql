-- A row per table of the contract that an answer needs and that holds nothing.
select name as example from (
  select 'units' as name, (select count(*) from known_units) as rows_there, 1 as place
  union all select 'components', (select count(*) from known_components), 2
  union all select 'teardowns', (select count(*) from known_teardowns), 3
  union all select 'findings', (select count(*) from known_findings), 4
  union all select 'points', (select count(*) from known_points), 5
  union all select 'vehicles', (select count(*) from known_vehicles), 6
  union all select 'fitments', (select count(*) from known_fitments), 7
  union all select 'odometers', (select count(*) from known_odometers), 8
  union all select 'parts', (select count(*) from known_parts), 9
  union all select 'part_uses', (select count(*) from known_part_uses), 10
  union all select 'issued_parts', (select count(*) from known_issued_parts), 11
  union all select 'stock', (select count(*) from known_stock), 12
  union all select 'orders', (select count(*) from known_orders), 13
)
where rows_there = 0
order by place
