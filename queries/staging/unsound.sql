-- Groups of a long file that are not sound. Grain: unit, circuit and time as written.
create or replace temp table unsound as
select
    unit_text,
    circuit_text,
    local_at,
    odd_time
from timed
where
    not sound
    or exists (
        select 1
        from drawn_in
        where
            drawn_in.unit_id = timed.unit_id
            and drawn_in.circuit is not distinct from timed.circuit
            and drawn_in.read_at = timed.read_at
    )
    or exists (
        select 1
        from off_grid
        where
            off_grid.unit_id = timed.unit_id
            and off_grid.circuit is not distinct from timed.circuit
    )
