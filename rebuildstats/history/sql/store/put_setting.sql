-- Keep one setting.
insert into settings (name, value) values ($name, $value)
