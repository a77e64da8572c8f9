-- Adds the records of one file that are neither refused nor repeated to the raw table of their target.
insert into ${table} (file_no, record, ${columns})
select
    ${file_no} as file_no,
    typed.record,
    ${values}
from typed
where
    not exists (select 1 from refused where refused.record = typed.record)
    and not exists (select 1 from repeats where repeats.record = typed.record)
