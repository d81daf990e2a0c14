-- How many rows of a table were read with a fault.
select count(_fault) from {stage}
