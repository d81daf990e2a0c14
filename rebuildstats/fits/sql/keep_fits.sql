-- a row is one fit to keep, out of the frame registered as `new_fits`
insert into fits by name
select
    $kind as kind,
    $hash as hash,
    place,
    family,
    component,
    fit
from new_fits
