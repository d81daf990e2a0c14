-- a row is a file of one table of one family
select file from glob($pattern) order by file
