-- a row is a site and the one whose shelf serves it
create or replace temp table known_sites as
select
    site,
    nullif(served_by, '') as served_by
from sites
