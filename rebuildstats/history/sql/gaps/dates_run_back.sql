-- A row per row whose second date lies before its first.
select 'job ' || job || ': opened ' || opened_on || ', closed ' || closed_on as example from known_teardowns where closed_on < opened_on
union all
select 'job ' || job || ': waiting from ' || waiting_from || ' until ' || waiting_until from known_teardowns where waiting_until < waiting_from
union all
select 'job ' || t.job || ': opened ' || t.opened_on || ', unit ' || u.unit || ' first seen ' || u.first_seen_on
from known_teardowns t join known_units u using (unit) where t.opened_on < u.first_seen_on
union all
select 'unit ' || unit || ' in ' || vehicle || ': fitted ' || fitted_on || ', removed ' || removed_on from known_fitments where removed_on < fitted_on
union all
select 'unit ' || f.unit || ' in ' || f.vehicle || ': fitted ' || f.fitted_on || ', first seen ' || u.first_seen_on
from known_fitments f join known_units u using (unit) where f.fitted_on < u.first_seen_on
union all
select 'unit ' || f.unit || ' in ' || f.vehicle || ': fitted ' || f.fitted_on || ', vehicle in service ' || v.in_service_on
from known_fitments f join known_vehicles v using (vehicle) where f.fitted_on < v.in_service_on
union all
select 'order ' || "order" || ': ordered ' || ordered_on || ', received ' || received_on from known_orders where received_on < ordered_on
union all
select 'vehicle ' || vehicle || ': in service ' || in_service_on || ', out ' || out_of_service_on from known_vehicles where out_of_service_on < in_service_on
