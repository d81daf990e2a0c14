-- All that is committed goes into the one file.
checkpoint store
