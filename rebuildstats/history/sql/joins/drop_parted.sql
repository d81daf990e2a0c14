-- ... and are no rows under the kept name any more.
delete from {table} where {column} = $kept and json_extract_string(_notes, {path}) = $dropped
