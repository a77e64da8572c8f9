-- Which complaints came back again and again? Chains of calls, each a callback of the one before, of three calls or more.
-- Grain: first call of a chain. calls: in the longest line from it; days: from its opening to that of the last [d]; visits_h:
-- labour and travel of the first tickets of all calls in the chain's tree [h].
with recursive chain as (
    select
        call_id as first_call_id,
        call_id,
        1 as calls
    from callbacks
    where callback_of is null
    union all
    select
        chain.first_call_id,
        callbacks.call_id,
        chain.calls + 1 as calls
    from chain
    inner join callbacks on chain.call_id = callbacks.callback_of
),

final as (
    select
        chain.first_call_id,
        max(chain.calls) as calls,
        max(service_calls.opened_at) as last_opened_at,
        sum(coalesce(in_calls.labour_h, 0) + coalesce(in_calls.travel_h, 0)) as visits_h
    from chain
    inner join service_calls on chain.call_id = service_calls.call_id
    inner join in_calls on chain.call_id = in_calls.call_id
    group by chain.first_call_id
)

select
    final.first_call_id,
    service_calls.unit_id,
    service_calls.symptom,
    final.calls,
    round(date_diff('minute', service_calls.opened_at, final.last_opened_at) / 1440, 1) as days,
    round(final.visits_h, 2) as visits_h
from final
inner join service_calls on final.first_call_id = service_calls.call_id
where final.calls >= 3
order by calls desc, days desc, first_call_id asc
