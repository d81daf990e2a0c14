-- One more file of this load.
insert into files values ($file, $name, $path, $table, $bytes, $sha256)
