-- a row is a place that a teardown renewed without a replacement of its own: with the assembly it is supplied in, with
-- anything else in that assembly, or with an assembly that is renewed at every rebuild (a place may come twice)
create or replace temp table renewals as
with whole as (
    -- what is supplied in an assembly can't be bought by itself: the outermost assembly is replaced
    select distinct w.place_id, o.place_id as renewed_id
    from within as w
    inner join within as o on w.holder_id = o.holder_id
    where w.holder_is_whole and w.place_id <> o.place_id
)
select f.job_id, w.renewed_id as place_id
from findings_numbered as f
inner join whole as w using (place_id)
where f.action = 'replace'
union all
select t.job_id, w.place_id
from teardown_order as t
inner join places as p on t.family = p.family and p.renewal = 'always'
inner join within as w on p.place_id = w.holder_id and w.place_id <> w.holder_id
where t.scope = 'rebuild'
