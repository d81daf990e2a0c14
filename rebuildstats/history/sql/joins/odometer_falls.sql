-- The readings of one vehicle that fall on the same meter.
select read_on::VARCHAR from (
  select read_on, odometer < lag(odometer) over (partition by meter order by read_on, odometer) as falls
  from odometers where vehicle = $kept
) where falls
