-- A row per table of one database of this connection.
select schema_name, table_name from duckdb_tables() where database_name = $database and not internal and not temporary order by all
