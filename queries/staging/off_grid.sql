-- Circuits whose channels are read at instants of their own: the median interval of a channel, and the phase in which
-- most of a round of readings lies. Grain: unit, circuit.
create or replace temp table off_grid as
with spread as (
    select
        unit_id,
        circuit
    from timed
    where unit_id is not null and read_at is not null
    group by unit_id, circuit
    having count(distinct read_at) > 1.5 * greatest(${densest}) and greatest(${densest}) >= 3
),

scattered as (
    select timed.*
    from timed
    inner join spread
        on
            spread.unit_id = timed.unit_id
            and spread.circuit is not distinct from timed.circuit
    where timed.read_at is not null
),

steps as (
    ${channel_steps}
),

intervals as (
    select
        unit_id,
        circuit,
        cast(greatest(1, round(median(step_s))) as bigint) as interval_s
    from steps
    where step_s > 0
    group by unit_id, circuit
),

phases as (
    select distinct
        intervals.unit_id,
        intervals.circuit,
        intervals.interval_s,
        cast(epoch(scattered.read_at) as bigint) % intervals.interval_s as phase_s
    from scattered
    inner join intervals
        on
            intervals.unit_id = scattered.unit_id
            and intervals.circuit is not distinct from scattered.circuit
),

gaps as (
    select
        *,
        coalesce(
            lead(phase_s) over one_circuit,
            min(phase_s) over (partition by unit_id, circuit) + interval_s
        ) - phase_s as gap_s
    from phases
    window one_circuit as (partition by unit_id, circuit order by phase_s)
),

widest as (
    select
        *,
        row_number() over (partition by unit_id, circuit order by gap_s desc, phase_s) as place
    from gaps
)

select
    unit_id,
    circuit,
    interval_s,
    (phase_s + gap_s + (interval_s - gap_s) // 2) % interval_s as phase_s
from widest
where place = 1
