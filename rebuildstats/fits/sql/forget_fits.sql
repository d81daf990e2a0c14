-- the kept fits of a kind, which new ones are about to replace
delete from fits
where kind = $kind
