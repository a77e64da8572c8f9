-- Suspect records that are kept, side by side. Grain: unit, circuit, instant.
create or replace temp table mended as
select
    unit_id,
    circuit,
    read_at${values}
from suspects
where
    not exists (select 1 from refused where refused.record = suspects.record)
    and not exists (select 1 from repeats where repeats.record = suspects.record)
group by unit_id, circuit, read_at
