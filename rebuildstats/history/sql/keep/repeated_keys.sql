-- A row per key that stands more than once in a table.
select {key_text} as key from (select {key} from {table} group by all having count(*) > 1)
