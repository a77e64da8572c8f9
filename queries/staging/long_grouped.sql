-- Long readings of one file side by side: one row a unit, circuit and time as written. `n` counts records, `seen` has
-- a bit for each channel text with a value; as many bits as records mean that nothing is missing or double.
create or replace temp table grouped as
with cells as (
    select
        ${unit} as unit_text,
        ${circuit} as circuit_text,
        ${time} as time_text,
        ${channel} as channel_text,
        ${unit_written} as unit_written,
        ${value} as value_text,
        ${number} as number
    from ${relation}
)

select
    unit_text,
    circuit_text,
    time_text,
    ${channels},
    count(*) as n,
    bit_or(${seen}) as seen
from cells
group by unit_text, circuit_text, time_text
