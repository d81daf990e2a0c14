-- The rows of one table under the contract's names, in a stable order, as a Parquet file.
copy (select {columns} from {table} order by {order}) to {path} (format parquet)
