-- Service calls and what they come back from.
-- Grain: service call. callback_of: the latest earlier index call whose recall window it was opened in, for the same or a
-- related symptom, null for none; after_d: days from that call's end [d]; any_callback_of, any_after_d: the same
-- whatever the symptom; cold_callback_of: the latest earlier call whose cold recall window it was opened in, in the cold
-- itself; cold_after_h: cold hours of the unit from that call's end [h]; is_cold_callback: null where the weather of a call
-- with a cold-weather symptom is not known.
with setting as (
    select
        max(case when name = 'recall_window_days' then value end) as window_d,
        max(case when name = 'recall_cold_hours' then value end) as window_h
    from thresholds
),

after as (
    select
        earlier_calls.question,
        earlier_calls.call_id,
        earlier_calls.earlier_call_id,
        date_diff('microsecond', earlier_calls.earlier_ended_at, earlier_calls.opened_at) / 86400000000.0 as after_d,
        calls.opened_h - earlier.ended_h as after_h
    from earlier_calls
    left join cold_clock as calls on earlier_calls.call_id = calls.call_id
    left join cold_clock as earlier on earlier_calls.earlier_call_id = earlier.call_id
),

within as (
    select after.*
    from after
    cross join setting
    where
        (after.question <> 'cold' and after.after_d <= setting.window_d)
        or (after.question = 'cold' and after.after_h <= setting.window_h)
),

final as (
    select
        service_calls.call_id,
        service_calls.unit_id,
        related.earlier_call_id as callback_of,
        related.after_d,
        whatever.earlier_call_id as any_callback_of,
        whatever.after_d as any_after_d,
        cold.earlier_call_id as cold_callback_of,
        cold.after_h as cold_after_h,
        case
            when cold_clock.call_id is null then false
            when cold_clock.returns is not null then cold.call_id is not null
        end as is_cold_callback
    from service_calls
    left join within as related on service_calls.call_id = related.call_id and related.question = 'related'
    left join within as whatever on service_calls.call_id = whatever.call_id and whatever.question = 'any'
    left join within as cold on service_calls.call_id = cold.call_id and cold.question = 'cold'
    left join cold_clock on service_calls.call_id = cold_clock.call_id
)

select * from final
order by call_id
