-- Rows held since an earlier load that are rejected for another reason now.
select count(distinct _row) from report where "table" = $table and _waiting is not null
