-- a row is a teardown of which all should be written down by now: closed, or opened two months ago and more; where a shop doesn't
-- write down when it closes its jobs, every one
create or replace temp table settled_jobs as
with shop as (select count(closed_on) * 2 >= count(*) as closes from known_teardowns)
select job from known_teardowns, shop
where closed_on is not null or opened_on < $as_of - 60 or not closes
