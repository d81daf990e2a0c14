-- ... and are no rows of the present any more.
delete from findings g
where job = $job
  and not exists (
    select 1 from typed_findings t
    where t.job = g.job and t.component = g.component and t.point = g.point and t.position = g.position
  )
