-- a row is a family with its number, by which the tables are divided
create or replace temp table family_numbers as
with every as (
    select family from known_units
    union
    select family from known_components
)
select
    row_number() over (order by family)::integer - 1 as place,
    family
from every
where family is not null
