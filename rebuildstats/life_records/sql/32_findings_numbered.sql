-- a row is a finding with the numbers of its job and its place, its words in the order in which one goes before
-- another: the worst verdict, the strongest action, a cause; `part` where one was fitted
create or replace temp table findings_numbered as
select
    t.job_id,
    p.place_id,
    f.verdict::enum('fail', 'ok', 'not_checked') as verdict,
    f.action::enum('replace', 'machine', 'dress', 'reuse') as action,
    f.role::enum('cause', 'consequence', 'wear') as role,
    case when f.action = 'replace' then f.part end as part,
    case when f.action = 'replace' then coalesce(f.point, '') end as point
from known_findings as f
inner join teardown_order as t using (job)
inner join places as p on t.family = p.family and f.component = p.component and f.position = p.position
