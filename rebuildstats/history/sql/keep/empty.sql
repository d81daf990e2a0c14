-- All rows of a table go, within the transaction that brings others.
delete from {table}
