-- A row per pair of names that look alike: case, accents, blanks, signs and leading zeros apart they are one, and so are the letters
-- O, I, L, S, B, Z and 0, 1, 1, 5, 8, 2. With how often each is named and when first and last, whether either stands in rows that did
-- not go in, and what speaks against their being one.
with uses as (
  select 'unit' as kind, unit as name, first_seen_on as day, family, false as rejected from units
  union all select 'unit', unit, fitted_on, null, false from fitments
  union all select 'unit', unit, opened_on, null, false from teardowns
  union all select 'part', part, null, null, false from parts
  union all select 'part', part, null, null, false from part_uses
  union all select 'part', part, issued_on, null, false from issued_parts
  union all select 'part', f.part, t.opened_on, null, false from findings f join teardowns t using (job) where f.part is not null
  union all select 'vehicle', vehicle, in_service_on, null, false from vehicles
  union all select 'vehicle', vehicle, read_on, null, false from odometers
  union all select 'vehicle', vehicle, fitted_on, null, false from fitments
  union all
  select case "column" when 'unit' then 'unit' when 'vehicle' then 'vehicle' else 'part' end, value, null, null, true
  from (select distinct "table", file, line, "column", value, reason, settled_by from rejects)
  where settled_by is null and reason = 'unknown_reference' and "column" in ('unit', 'vehicle', 'part')
), names as (
  select kind, name, count(*) as rows_of, min(day) as first_on, max(day) as last_on, max(family) as family,
    bool_and(rejected) as only_rejected, shape_of(name) as shape
  from uses group by kind, name
), pairs as materialized (
  select a.kind, a.name as one, b.name as other, a.rows_of as rows_one, b.rows_of as rows_other, b.only_rejected,
    a.first_on as first_one, a.last_on as last_one, b.first_on as first_other, b.last_on as last_other,
    a.family as family_one, b.family as family_other
  from names a join names b using (kind, shape)
  where shape <> '' and not a.only_rejected and ((a.rows_of, b.name) > (b.rows_of, a.name) or b.only_rejected) and a.name <> b.name
), readings as (
  select 'unit' as kind, unit as name, opened_on as day, unit_mileage as distance from teardowns where unit_mileage is not null
  union all select 'vehicle', vehicle, read_on, odometer from odometers where meter = 1
), falling as (  -- joined from the pairs on: they are few, the readings are many
  select distinct pairs.kind, one, other
  from pairs join readings x on x.kind = pairs.kind and x.name = one join readings y on y.kind = pairs.kind and y.name = other
  where (x.day - y.day) * (x.distance - y.distance) < 0
), at_once as (
  select distinct one, other
  from pairs join fitments x on x.unit = one join fitments y on y.unit = other
  where kind = 'unit' and x.vehicle <> y.vehicle
    and x.fitted_on < coalesce(y.removed_on, date '9999-12-31') and y.fitted_on < coalesce(x.removed_on, date '9999-12-31')
), followed as (
  select distinct one, other
  from pairs join parts p on p.part in (one, other) and p.replaced_by in (one, other)
  where kind = 'part'
)
select kind, one, other, rows_one, rows_other,
  concat_ws(' to ', first_one, nullif(last_one, first_one)) as seen_one,
  case when only_rejected then 'only in rows that did not go in' else concat_ws(' to ', first_other, nullif(last_other, first_other)) end as seen_other,
  concat_ws('; ',
    case when family_one <> family_other then 'different families: ' || family_one || ' and ' || family_other end,
    case when (kind, one, other) in (from falling) then 'together the ' || case kind when 'unit' then 'mileage' else 'odometer' end || ' would fall' end,
    case when kind = 'unit' and (one, other) in (from at_once) then 'both in a vehicle at once' end,
    case when kind = 'part' and (one, other) in (from followed) then 'one replaces the other' end
  ) as against
from pairs
order by kind, one, other
