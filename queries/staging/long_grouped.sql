-- Long readings of one file side by side: one row a unit, circuit and time as written; the time stands in `local_at`
-- where it is in the form that the head of the file proves, else as text in `odd_time`. `n` counts records, `known` those
-- that feed a channel; `k0`, `k1`, ... are the numbers of each slot (a channel in one unit of measure). As many numbers
-- as known records mean that nothing is missing or double.
create or replace temp table grouped as
with cells as (
    select
        ${unit} as unit_text,
        ${circuit} as circuit_text,
        ${time} as time_text,
        ${channel} as channel_text,
        ${unit_written} as unit_written,
        ${value} as value_text
    from ${relation}
),

timed as (
    select
        unit_text,
        circuit_text,
        time_text,
        value_text,
        ${local} as local_at,
        cast(${slot} as utinyint) as slot
    from cells
),

numbered as (
    select
        unit_text,
        circuit_text,
        local_at,
        case when local_at is null then time_text end as odd_time,
        slot,
        ${number} as number
    from timed
)

select
    unit_text,
    circuit_text,
    local_at,
    odd_time,
    count(*) as n,
    count(slot) as known${numbers}
from numbered
group by unit_text, circuit_text, local_at, odd_time
