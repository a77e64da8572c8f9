-- What the readings of a circuit cannot have shown: lockouts that end before they begin or overlap, estimates outside
-- their own interval, a reset under its cut-out, and periods of head pressure that overlap. It must be empty.
with lockouts_in_turn as (
    select
        unit_id,
        circuit,
        started_at,
        ended_at,
        lag(ended_at) over (partition by unit_id, circuit order by started_at, ended_at) as last_ended_at
    from lockouts
),

periods_in_turn as (
    select
        unit_id,
        circuit,
        period_start,
        period_end,
        lag(period_end) over (partition by unit_id, circuit order by period_start, period_end) as last_period_end
    from head_pressure
),

final as (
    select
        'lockout' as what,
        unit_id,
        circuit,
        cast(started_at as varchar) as detail
    from lockouts_in_turn
    where ended_at < started_at or started_at < last_ended_at
    union all
    select
        'set point' as what,
        unit_id,
        circuit,
        switch as detail
    from set_points
    where estimate_kpa < lower_kpa or estimate_kpa > upper_kpa
    union all
    select
        'reset' as what,
        reset.unit_id,
        reset.circuit,
        'under the cut-out' as detail
    from set_points as reset
    inner join set_points as cut_out
        on
            reset.unit_id = cut_out.unit_id
            and reset.circuit is not distinct from cut_out.circuit
            and cut_out.switch = 'lp cut-out'
    where reset.switch = 'lp reset' and reset.upper_kpa < cut_out.lower_kpa
    union all
    select
        'head pressure' as what,
        unit_id,
        circuit,
        cast(period_start as varchar) as detail
    from periods_in_turn
    where period_end < period_start or period_start < last_period_end
)

select * from final
order by what, unit_id, circuit, detail
