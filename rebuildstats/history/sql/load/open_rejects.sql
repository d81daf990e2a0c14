-- How many rejects nobody has corrected yet.
select count(*) from rejects where settled_by is null
