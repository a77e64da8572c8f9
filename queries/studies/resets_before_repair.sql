-- How often is a unit only reset before somebody changes something?
-- Grain: service call that added refrigerant or connected or fitted a control. resets: visits that only reset the unit, since the
-- last such call on it; first_reset_at; days: from the first of them to this call [d].
with changes as (
    select
        unit_id,
        call_id,
        work,
        opened_at,
        coalesce(
            lag(opened_at) over (partition by unit_id order by opened_at), timestamp '1900-01-01 00:00:00'
        ) as last_opened_at
    from service_calls
    where work is not null and work <> 'switch reset only'
),

final as (
    select
        changes.call_id,
        changes.unit_id,
        changes.work,
        changes.opened_at,
        count(resets.call_id) as resets,
        min(resets.opened_at) as first_reset_at
    from changes
    left join service_calls as resets
        on
            changes.unit_id = resets.unit_id
            and resets.work = 'switch reset only'
            and changes.opened_at > resets.opened_at
            and changes.last_opened_at < resets.opened_at
    group by changes.call_id, changes.unit_id, changes.work, changes.opened_at
)

select
    call_id,
    unit_id,
    work,
    opened_at,
    resets,
    first_reset_at,
    round(date_diff('minute', first_reset_at, opened_at) / 1440, 1) as days
from final
order by resets desc, call_id asc
