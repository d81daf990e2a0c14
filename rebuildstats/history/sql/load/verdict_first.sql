-- The same where the store has no row of the table yet: all are new.
create or replace temp table verdict as
select _row, _waiting, 'new' as outcome, _notes as notes from {typed}
