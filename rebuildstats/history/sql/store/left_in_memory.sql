-- How many databases, tables and views stand in an engine that should hold none, and where it puts what does not fit.
select
    (select count(*) from duckdb_databases() where not internal and database_name <> 'memory')
    + (select count(*) from duckdb_tables() where database_name = 'memory')
    + (select count(*) from duckdb_views() where database_name = 'memory' and not internal),
    current_setting('temp_directory')
