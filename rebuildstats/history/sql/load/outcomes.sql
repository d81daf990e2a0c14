-- How many rows of each outcome.
select outcome, count(*) from verdict group by outcome
