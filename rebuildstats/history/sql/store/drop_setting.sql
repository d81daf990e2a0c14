-- Forget one setting.
delete from settings where name = $name
