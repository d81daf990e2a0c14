-- The store as database `store` of this connection, for reading only. The path is quoted by the caller.
attach {path} as store (read_only)
