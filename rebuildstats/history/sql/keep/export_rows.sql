-- The rows of one table as text under the contract's names, in a stable order.
select {cells}, _notes from {table} order by {order}
