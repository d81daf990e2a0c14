-- How many rows of a table wait since earlier loads.
select count(*) from (select distinct load, file, line, "row" from rejects where "table" = $table and reason = 'waits_for' and settled_by is null)
