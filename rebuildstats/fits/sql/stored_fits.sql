-- a row is one kept fit of the asked kind and hash, in the order of the answer
select fit
from fits
where kind = $kind and hash = $hash
order by place
