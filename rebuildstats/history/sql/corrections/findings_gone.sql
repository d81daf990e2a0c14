-- Findings of one job that its form does not hold any more leave the present for the past.
insert into past.findings by name
select g.*, $load as _until_load, $now as _until, $who as _who, 'replaced' as _why from findings g
where job = $job
  and not exists (
    select 1 from typed_findings t
    where t.job = g.job and t.component = g.component and t.point = g.point and t.position = g.position
  )
