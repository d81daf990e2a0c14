-- The store as database `store` of this connection, with the journal that lies beside it. The path is quoted by the caller.
attach {path} as store
