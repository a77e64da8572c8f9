-- Groups whose readings conflict with another file are looked at record by record too.
insert into drawn_in
select distinct
    unit_id,
    circuit,
    read_at
from conflicts
where file_no = ${file_no}
