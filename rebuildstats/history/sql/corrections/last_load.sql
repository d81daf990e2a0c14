-- The last write of history that has not been undone.
select load, kind, what, loaded_at, who from loads where undone_by is null and kind <> 'undo' order by load desc limit 1
