-- a row is a life that was looked at and found good more than once: its age at the last such look but one before its
-- lower age (a look may miss a failed component; only then does that earlier age matter)
create or replace temp table good_before as
select
    l.unit_id,
    l.place_id,
    l.stay,
    max(a.age) as good_before
from all_lives as l
inner join ages as a using (unit_id, place_id, stay)
where a.verdict = 'ok' and a.age < l.lower_age
group by l.unit_id, l.place_id, l.stay
