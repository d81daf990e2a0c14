-- A row per teardown at a lower mileage than the unit had when the shop first saw it.
select t.job || ': unit ' || unit || ' at ' || t.unit_mileage::BIGINT || ', ' || u.first_seen_mileage::BIGINT || ' when first seen' as example
from known_teardowns t join known_units u using (unit)
where t.unit_mileage < u.first_seen_mileage
order by t.opened_on desc, t.job
