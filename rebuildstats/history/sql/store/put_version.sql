-- Note that the file was brought to a schema version.
insert into schema_versions (program, version, applied_at, written_with) values ($program, $version, $at, $written_with)
