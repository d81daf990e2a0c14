-- How many rows of one file were read.
select count(*) from {stage} where _file = $file
