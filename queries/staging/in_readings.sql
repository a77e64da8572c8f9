-- Readings of the fleet: each file's own, save the instants that several files give, which are merged once.
create table if not exists merged_readings as select * exclude (file_no, record) from raw_readings where false;

create or replace view in_readings as
select raw.* exclude (file_no, record)
from raw_readings as raw
where
    not exists (
        select 1
        from shared_readings as shared
        where
            shared.unit_id = raw.unit_id
            and shared.circuit is not distinct from raw.circuit
            and shared.read_at = raw.read_at
    )
union all
select * from merged_readings;
