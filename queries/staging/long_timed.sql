-- Groups of long readings with unit, UTC instant and values in the contract's units; `sound` where every record of
-- the group can be kept as it is. Grain: unit, circuit and time as written.
create or replace temp table timed as
with placed as (
    select
        texts.unit_text,
        texts.circuit_text,
        cell_text(texts.circuit_text) as circuit,
        texts.time_text,
        places.meant as unit_id,
        ${instant} as read_at,
        ${ambiguous} as ambiguous,
        coalesce(texts.n = bit_count(texts.seen), false) and ${alone} as whole,
        ${values}
    from grouped as texts
    left join places on places.written = texts.unit_text
)

select
    *,
    whole
    and not ambiguous
    and unit_id is not null
    and read_at is not null
    and read_at between timestamp '1950-01-01' and timestamp '2100-01-01'
    and ${in_range} as sound
from placed
