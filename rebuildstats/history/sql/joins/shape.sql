-- What look-alike names have in common: case, accents, blanks and signs apart, a letter O beside a 0 and so on, without leading zeros.
create or replace temp macro shape_of(name) as {shape}
