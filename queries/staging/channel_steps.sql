-- Seconds between consecutive readings of one channel of circuits that are off the grid. Grain: reading.
select
    unit_id,
    circuit,
    date_diff('second', lag(read_at) over (partition by unit_id, circuit order by read_at), read_at) as step_s
from scattered
where ${channel} is not null
