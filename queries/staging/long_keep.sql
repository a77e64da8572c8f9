-- Adds a long file's readings to the raw table: the groups that were sound, and what was mended of the others.
insert into raw_readings (file_no, unit_id, circuit, read_at${columns})
with sound_groups as (
    select
        unit_id,
        circuit,
        read_at${columns}
    from timed
    where
        sound
        and known > 0
        and not exists (
            select 1
            from drawn_in
            where
                drawn_in.unit_id = timed.unit_id
                and drawn_in.circuit is not distinct from timed.circuit
                and drawn_in.read_at = timed.read_at
        )
        and not exists (
            select 1
            from off_grid
            where
                off_grid.unit_id = timed.unit_id
                and off_grid.circuit is not distinct from timed.circuit
        )
),

kept as (
    select * from sound_groups
    union all
    select
        unit_id,
        circuit,
        read_at${columns}
    from mended
)

select
    ${file_no} as file_no,
    unit_id,
    circuit,
    read_at${stored}
from kept
