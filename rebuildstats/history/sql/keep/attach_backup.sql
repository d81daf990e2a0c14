-- A backup beside the store, for reading only.
attach {path} as backup (read_only)
