-- A row per date that lies fifty years and more before the last one of the history: a year mistyped.
select what || ' on ' || day as example from (
  select 'job ' || job || ' opened' as what, opened_on as day from known_teardowns
  union all select 'vehicle ' || vehicle || ' read', read_on from known_odometers
  union all select 'unit ' || unit || ' fitted to ' || vehicle, fitted_on from known_fitments
  union all select 'part ' || part || ' issued' || coalesce(' to ' || job, ''), issued_on from known_issued_parts
  union all select 'part ' || part || ' counted at ' || site, counted_on from known_stock
  union all select 'order ' || "order" || ' placed', ordered_on from known_orders
  union all select 'unit ' || unit || ' first seen', first_seen_on from known_units
)
where day < $as_of - 18263
order by day, what
