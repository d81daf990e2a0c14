-- A draft as database `store` of this connection. The path is quoted by the caller. It needs no journal: until it is whole it is
-- nobody's store.
attach {path} as store (recovery_mode no_wal_writes)
