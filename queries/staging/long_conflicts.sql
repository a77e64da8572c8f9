-- Conflicting readings of a long file, record by record.
insert into named
select
    ${file_no} as file_no,
    suspects.record,
    conflicts.outcome,
    conflicts.reason
from suspects
inner join conflicts
    on
        conflicts.file_no = ${file_no}
        and conflicts.unit_id = suspects.unit_id
        and conflicts.circuit is not distinct from suspects.circuit
        and conflicts.read_at = suspects.read_at
        and conflicts.channel = suspects.channel
where
    not exists (select 1 from refused where refused.record = suspects.record)
    and not exists (select 1 from repeats where repeats.record = suspects.record)
