-- Note the key of every row at fault, so that rows which hang on it can wait for it; a key with an empty part is no key.
update bad set key = k.key
from (select _row, case when {key_filled} then json_array({key_text})::VARCHAR end as key from {typed}) k
where bad.table_name = $table and bad._row = k._row
