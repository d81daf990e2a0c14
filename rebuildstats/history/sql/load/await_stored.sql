-- Rows that earlier loads rejected or hold and that nobody has corrected yet.
insert into awaited by name
select distinct "table" as table_name, key, file || coalesce(' line ' || line, '') as place from rejects
where settled_by is null and key is not null
