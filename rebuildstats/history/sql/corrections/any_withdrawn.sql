-- How many rows of a table were withdrawn.
select count(*) from past.{table} where _why = 'withdrawn'
