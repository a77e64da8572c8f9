-- The service call that brought about each ordered return: the last one on the unit before it.
-- Grain: ticket of work type 'return'. trigger_at: opening of that call [UTC], null without one.
with in_order as (
    select
        unit_id,
        opened_at,
        null as call_id,
        opened_at as service_at
    from service_calls
    union all
    select
        unit_id,
        opened_at,
        call_id,
        null as service_at
    from in_calls
    where work_type = 'return'
),

looking_back as (
    select
        call_id,
        max(service_at) over (
            partition by unit_id
            order by opened_at, call_id nulls first rows between unbounded preceding and current row
        ) as trigger_at
    from in_order
)

select
    call_id,
    trigger_at
from looking_back
where call_id is not null
order by call_id
