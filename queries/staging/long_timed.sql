-- Groups of long readings with unit, UTC instant and values in the contract's units; `sound` where every record that
-- feeds a channel can be kept as it is. Grain: unit, circuit and time as written.
create or replace temp view timed as
with located as (
    select
        texts.*,
        ${local} as local_time
    from grouped as texts
),

placed as (
    select
        texts.unit_text,
        texts.circuit_text,
        texts.local_at,
        texts.odd_time,
        texts.n,
        texts.known,
        ${circuit} as circuit,
        places.meant as unit_id,
        ${instant} as read_at,
        ${ambiguous} as ambiguous${values}
    from located as texts
    left join places on places.written = cell_text(texts.unit_text)
)

select
    *,
    coalesce(known = ${given} and not ambiguous and unit_id is not null and ${in_time}${in_range}, false) as sound
from placed
