-- Which cold calls came back with the next cold spell or the next winter, and are nobody's callback by the calendar?
-- Grain: cold callback that no recall window of days holds. earlier_call_id: the call it comes from; cold_after_h: the unit's
-- cold hours between [h]; after_d: days between [d]; work: what was done then.
with final as (
    select
        callbacks.call_id,
        callbacks.unit_id,
        callbacks.cold_callback_of as earlier_call_id,
        callbacks.cold_after_h,
        date_diff('minute', earlier.ended_at, later.opened_at) / 1440 as after_d,
        earlier.work
    from callbacks
    inner join service_calls as later on callbacks.call_id = later.call_id
    inner join service_calls as earlier on callbacks.cold_callback_of = earlier.call_id
    where callbacks.callback_of is null
)

select
    call_id,
    unit_id,
    earlier_call_id,
    cold_after_h,
    round(after_d, 1) as after_d,
    work
from final
order by after_d desc, call_id asc
