-- The parts of each circuit's log that its page draws: the whole of the log that holds the worst days where that is long, and
-- the worst three days of it and of others. Worst is most trips and lockouts, then coldest.
-- Grain: unit, circuit, window_no: 0 for a whole log, from 1 by badness. from_at, to_at [UTC]; events; coldest_c [degC];
-- readings; buckets: points that a line may have, fewer on units of many circuits.
-- A log ends where more than seven days follow without a reading (judgement); three days show single starts (judgement).
with steps as (
    select
        log_days.*,
        case
            when
                date_diff('day', lag(day) over (partition by unit_id, circuit order by day), day) <= 7
                then 0
            else 1
        end as begins
    from log_days
),

logs as (
    select
        steps.*,
        sum(begins) over (partition by unit_id, circuit order by day) as log_no
    from steps
),

placed as (
    select
        logs.*,
        floor(date_diff('day', min(day) over (partition by unit_id, circuit, log_no), day) / 3.0) as block_no
    from logs
),

blocks as (
    select
        unit_id,
        circuit,
        log_no,
        block_no,
        min(first_at) as from_at,
        max(last_at) as to_at,
        sum(events) as events,
        min(coldest_c) as coldest_c,
        sum(readings) as readings
    from placed
    group by unit_id, circuit, log_no, block_no
),

ranked as (
    select
        blocks.*,
        row_number() over (
            partition by unit_id, circuit
            order by events desc, coalesce(coldest_c, 1000) asc, readings desc, from_at asc
        ) as window_no
    from blocks
),

wholes as (
    select
        logs.unit_id,
        logs.circuit,
        min(logs.first_at) as from_at,
        max(logs.last_at) as to_at,
        sum(logs.events) as events,
        min(logs.coldest_c) as coldest_c,
        sum(logs.readings) as readings
    from logs
    inner join ranked
        on
            logs.unit_id = ranked.unit_id
            and coalesce(logs.circuit, '') = coalesce(ranked.circuit, '')
            and logs.log_no = ranked.log_no
    where ranked.window_no = 1
    group by logs.unit_id, logs.circuit
    having date_diff('day', min(logs.day), max(logs.day)) >= 3
),

lines as (
    select
        unit_id,
        count(distinct coalesce(circuit, '')) as circuits
    from log_days
    group by unit_id
),

windows as (
    select
        unit_id,
        circuit,
        0 as window_no,
        from_at,
        to_at,
        events,
        coldest_c,
        readings
    from wholes
    union all
    select
        ranked.unit_id,
        ranked.circuit,
        ranked.window_no,
        ranked.from_at,
        ranked.to_at,
        ranked.events,
        ranked.coldest_c,
        ranked.readings
    from ranked
    left join wholes
        on ranked.unit_id = wholes.unit_id and coalesce(ranked.circuit, '') = coalesce(wholes.circuit, '')
    where ranked.window_no <= case when wholes.unit_id is null then 3 else 2 end
),

final as (
    select
        windows.unit_id,
        windows.circuit,
        cast(windows.window_no as bigint) as window_no,
        windows.from_at,
        windows.to_at,
        cast(windows.events as bigint) as events,
        windows.coldest_c,
        cast(windows.readings as bigint) as readings,
        cast(floor(greatest(60, least(300, 600.0 / lines.circuits))) as bigint) as buckets
    from windows
    inner join lines on windows.unit_id = lines.unit_id
)

select * from final
order by unit_id, circuit, window_no
