-- How many rows, and how many filled cells per column.
select count(*), {counts} from {relation}
