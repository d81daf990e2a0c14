-- The names that are joined to others now.
select kind, name, kept, load from joined_names where undone_by is null order by load, name
