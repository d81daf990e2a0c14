-- The tables of which rows wait since earlier loads.
select distinct "table" from rejects where reason = 'waits_for' and settled_by is null
