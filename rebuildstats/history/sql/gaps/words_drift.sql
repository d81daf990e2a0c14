-- A row per word of free text that is written in several ways: case, blanks and punctuation apart they are one.
with words as (
  select 'condition' as kind, condition as word from known_findings
  union all select 'complaint', complaint from known_teardowns
  union all select 'bench', bench from known_teardowns
  union all select 'site', site from known_teardowns
  union all select 'site', site from known_vehicles
  union all select 'duty', duty from known_vehicles
  union all select 'group', "group" from known_components
  union all select 'reading unit', reading_unit from known_points
  union all select 'supplier', supplier from known_parts
), counted as (
  select kind, word, count(*) as times from words where word is not null group by kind, word
)
select kind || ': ' || string_agg('''' || word || ''' (' || times || ')', ', ' order by times desc, word) as example
from counted
where regexp_replace(lower(word), '[^\p{L}\p{N}]', '', 'g') <> ''
group by kind, regexp_replace(lower(word), '[^\p{L}\p{N}]', '', 'g')
having count(*) > 1
order by sum(times) desc, example
