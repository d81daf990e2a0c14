-- Stores of schema 1, and the first ones of schema 2, were made before names could be joined (0001 came to make this table later).
create table if not exists joined_names (kind VARCHAR not null, name VARCHAR not null, kept VARCHAR not null, load BIGINT not null, undone_by BIGINT);
