-- a distance that a slip of the pen made negative counts as none; an unknown one stays unknown
create or replace temp macro not_below_zero(x) as case when x < 0 then 0 else x end
