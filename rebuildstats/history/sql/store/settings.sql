-- One row per setting: its name and value.
select name, value from settings
