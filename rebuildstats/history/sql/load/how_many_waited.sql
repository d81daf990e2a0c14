-- How many good rows were held since an earlier load.
select count(*) from {typed} where _waiting is not null
