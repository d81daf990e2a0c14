-- The name under which the store is open.
select current_database()
