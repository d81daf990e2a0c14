-- a row is a component position that a teardown renewed: by its own replacement, by that of the assembly it is
-- supplied in or of anything else in that assembly, or because it is renewed at every rebuild
create or replace temp table renewals as
with replaced as (
    select job, family, component, position
    from position_findings
    where action = 'replace'
),
whole as (
    -- what is supplied in an assembly can't be bought by itself: the outermost assembly is replaced
    select distinct r.job, r.family, w.holder as component, w.holder_position as position
    from replaced as r
    inner join within as w
        on r.family = w.family and r.component = w.component and r.position = w.position and w.holder_is_whole
),
always as (
    select t.job, t.family, c.component, unnest(range(1, c.positions + 1)) as position
    from teardown_order as t
    inner join known_components as c on t.family = c.family and c.renewal = 'always'
    where t.scope = 'rebuild'
),
renewed as (
    select * from whole
    union
    select * from always
)
select distinct r.job, r.family, w.component, w.position
from renewed as r
inner join within as w
    on r.family = w.family and r.component = w.holder and r.position = w.holder_position
union
select * from replaced
