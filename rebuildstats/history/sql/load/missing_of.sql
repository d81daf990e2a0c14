-- The columns of a table whose references lead nowhere, with the table they should lead to.
select distinct column_name, target from missing where table_name = $table
