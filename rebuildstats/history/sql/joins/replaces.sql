-- How many parts of two are replaced by the other.
select count(*) from parts where part in ($kept, $dropped) and replaced_by in ($kept, $dropped)
