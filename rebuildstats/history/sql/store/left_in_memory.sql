-- How much stands in an engine that should hold nothing (databases, schemas, tables, views, sequences, types), and where it puts what does
-- not fit. Macros are not counted, since looking for them takes as long as a new engine.
select
    (select count(*) from duckdb_databases() where not internal and database_name <> 'memory')
    + (select count(*) from duckdb_schemas() where database_name = 'memory' and not internal)
    + (select count(*) from duckdb_tables() where database_name = 'memory')
    + (select count(*) from duckdb_views() where database_name = 'memory' and not internal)
    + (select count(*) from duckdb_sequences() where database_name = 'memory')
    + (select count(*) from duckdb_types() where database_name = 'memory' and not internal),
    current_setting('temp_directory')
