-- Equal rows of one load count once: the first stays, the others are the same.
delete from {typed}
where ({key}) in (select ({key}) from repeated)
  and _row not in (select min(_row) from {typed} where ({key}) in (select ({key}) from repeated) group by {key})
returning _row
