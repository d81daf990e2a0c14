-- A row per used unit whose own mileage at first sight is unknown.
select unit as example from known_units where origin = 'used' and first_seen_mileage is null order by unit
