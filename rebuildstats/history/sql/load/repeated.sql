-- One row per key that stands more than once among the good rows of a table.
create or replace temp table repeated as
select {key} from {typed} group by all having count(*) > 1
