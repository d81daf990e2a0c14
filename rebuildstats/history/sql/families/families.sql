-- a row is a family in the order of its number, with the rows that its work grows with
select n.family, count(j.job) as teardowns
from family_numbers as n
left join job_places as j using (place)
group by n.place, n.family
order by n.place
