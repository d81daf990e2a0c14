-- The rows of one table under the contract's names, in a stable order, into a file that stands there empty, its owner's only.
copy (select {columns} from {table} order by {order}) to {path} (format parquet, use_tmp_file false)
