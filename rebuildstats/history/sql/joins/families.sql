-- The families of two units.
select distinct family from units where unit in ($kept, $dropped)
