-- Circuits whose channels are read at instants of their own: the channel that is read most often sets the rounds that
-- the others are brought to, and its median interval says how far. Grain: unit, circuit.
create or replace temp table off_grid as
with spread as (
    select
        unit_id,
        circuit,
        reference
    from circuits
    where unit_id is not null and densest >= 3 and instants > 1.5 * densest
),

steps as (
    select
        timed.unit_id,
        timed.circuit,
        spread.reference,
        date_diff('second', lag(timed.read_at) over one_circuit, timed.read_at) as step_s
    from timed
    inner join spread
        on
            spread.unit_id = timed.unit_id
            and spread.circuit is not distinct from timed.circuit
    where timed.read_at is not null and case spread.reference ${is_read} end
    window one_circuit as (partition by timed.unit_id, timed.circuit order by timed.read_at)
)

select
    unit_id,
    circuit,
    reference,
    median(step_s) as interval_s
from steps
where step_s > 0
group by unit_id, circuit, reference
