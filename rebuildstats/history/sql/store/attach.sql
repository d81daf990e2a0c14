-- The store as database `store` of this connection. The path is quoted by the caller.
attach {path} as store
