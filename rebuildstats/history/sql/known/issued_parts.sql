-- a row is a slip line of parts that went over the counter, or came back, by the day asked for
create or replace temp table known_issued_parts as
select
    issued_on,
    part,
    quantity,
    coalesce(lower(nullif(kind, '')), 'issue') as kind,
    nullif(job, '') as job,
    nullif(site, '') as site,
    nullif(slip, '') as slip
from issued_parts
where issued_on <= $as_of
