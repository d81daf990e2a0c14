-- Forget the references found so far.
delete from missing
