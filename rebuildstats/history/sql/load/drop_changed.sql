-- ... and leave the present.
delete from {table} g
using {typed} t, verdict v
where t._row = v._row and v.outcome = 'changed' and {equal}
