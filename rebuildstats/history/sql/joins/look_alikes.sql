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
), worked as (
  select unit as name, opened_on as day, unit_mileage as distance from teardowns where unit_mileage is not null
), ridden as (
  select vehicle as name, read_on as day, odometer as distance from odometers where meter = 1
)
select a.kind, a.name as one, b.name as other, a.rows_of as rows_one, b.rows_of as rows_other,
  concat_ws(' to ', a.first_on, nullif(a.last_on, a.first_on)) as seen_one,
  case when b.only_rejected then 'only in rows that did not go in' else concat_ws(' to ', b.first_on, nullif(b.last_on, b.first_on)) end as seen_other,
  concat_ws('; ',
    case when a.family <> b.family then 'different families: ' || a.family || ' and ' || b.family end,
    case when a.kind = 'unit' and exists (
      select 1 from worked x join worked y on x.name = a.name and y.name = b.name and (x.day - y.day) * (x.distance - y.distance) < 0
    ) then 'together the mileage would fall' end,
    case when a.kind = 'vehicle' and exists (
      select 1 from ridden x join ridden y on x.name = a.name and y.name = b.name and (x.day - y.day) * (x.distance - y.distance) < 0
    ) then 'together the odometer would fall' end,
    case when a.kind = 'unit' and exists (
      select 1 from fitments x join fitments y on x.unit = a.name and y.unit = b.name and x.vehicle <> y.vehicle
      where x.fitted_on < coalesce(y.removed_on, date '9999-12-31') and y.fitted_on < coalesce(x.removed_on, date '9999-12-31')
    ) then 'both in a vehicle at once' end,
    case when a.kind = 'part' and exists (
      select 1 from parts p where p.part in (a.name, b.name) and p.replaced_by in (a.name, b.name)
    ) then 'one replaces the other' end
  ) as against
from names a join names b using (kind, shape)
where shape <> '' and not a.only_rejected and ((a.rows_of, b.name) > (b.rows_of, a.name) or b.only_rejected) and a.name <> b.name
order by a.kind, one, other
