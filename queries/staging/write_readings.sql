-- Replaces what holding the files of readings against each other gave before.
delete from shared_readings;

insert into shared_readings
from shared
order by unit_id, circuit, read_at;

delete from merged_readings;

insert into merged_readings (unit_id, circuit, read_at, ${channels})
select
    unit_id,
    circuit,
    read_at,
    ${stored}
from merged
order by unit_id, circuit, read_at;

insert into resolved_records (file_no, record, outcome, reason, records)
select
    file_no,
    record,
    'repeated' as outcome,
    'repeats a reading of another file' as reason,
    records
from repeated
order by file_no, record;

insert into resolved_records (file_no, record, outcome, reason, records)
select
    file_no,
    record,
    outcome,
    reason,
    1 as records
from named
order by file_no, record
