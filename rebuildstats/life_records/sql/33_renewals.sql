-- a row is a place that a teardown renewed: by its own replacement, by that of the assembly it is supplied in or of
-- anything else in that assembly, or because it is renewed at every rebuild
create or replace temp table renewals as
with whole as (
    -- what is supplied in an assembly can't be bought by itself: the outermost assembly is replaced
    select f.job_id, w.holder_id
    from position_findings as f
    inner join within as w on f.place_id = w.place_id and w.holder_is_whole
    where f.action = 'replace'
),
always as (
    select t.job_id, p.place_id as holder_id
    from teardown_order as t
    inner join places as p on t.family = p.family and p.renewal = 'always'
    where t.scope = 'rebuild'
),
renewed as (
    select * from whole
    union all
    select * from always
)
select distinct r.job_id, w.place_id
from renewed as r
inner join within as w on r.holder_id = w.holder_id
union
select job_id, place_id from position_findings where action = 'replace'
