-- One row: the program that owns this file and the latest schema it was brought to.
select program, version from store.main.schema_versions order by version desc limit 1
