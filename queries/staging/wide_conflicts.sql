-- Conflicting readings of files that carry a record an instant.
insert into resolved_records (file_no, record, outcome, reason, records)
select
    file_no,
    record,
    outcome,
    reason,
    1 as records
from conflicts
where record is not null
order by file_no, record
