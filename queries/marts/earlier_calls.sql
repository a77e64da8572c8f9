-- The latest earlier call that each call can be the callback of, however long ago.
-- Grain: question, call that has one. question: 'related' (same or a related symptom), 'any' (whatever the symptom), 'cold'
-- (same or related, both on the cold clock); earlier_call_id, earlier_ended_at: the latest earlier index call.
with related as (
    select
        symptom,
        related
    from related_symptoms
    union
    select
        related as symptom,
        symptom as related
    from related_symptoms
    union
    select
        symptom,
        symptom as related
    from service_calls
),

-- each call asks about its own symptom; an index call answers for every symptom that is related to its own
said as (
    select
        'related' as question,
        unit_id,
        symptom as topic,
        number,
        0 as answers
    from service_calls
    union all
    select
        'related' as question,
        service_calls.unit_id,
        related.related as topic,
        service_calls.number,
        1 as answers
    from service_calls
    inner join related on service_calls.symptom = related.symptom
    where service_calls.is_index
    union all
    select
        'any' as question,
        unit_id,
        '' as topic,
        number,
        0 as answers
    from service_calls
    union all
    select
        'any' as question,
        unit_id,
        '' as topic,
        number,
        1 as answers
    from service_calls
    where is_index
    union all
    select
        'cold' as question,
        service_calls.unit_id,
        service_calls.symptom as topic,
        service_calls.number,
        0 as answers
    from service_calls
    inner join cold_clock on service_calls.call_id = cold_clock.call_id
    where cold_clock.returns
    union all
    select
        'cold' as question,
        service_calls.unit_id,
        related.related as topic,
        service_calls.number,
        1 as answers
    from service_calls
    inner join cold_clock on service_calls.call_id = cold_clock.call_id
    inner join related on service_calls.symptom = related.symptom
    where cold_clock.begins
),

-- a call asks before it answers, so that it is never its own callback
looking_back as (
    select
        question,
        unit_id,
        number,
        answers,
        max(case when answers = 1 then number end) over (
            partition by question, unit_id, topic
            order by number, answers rows between unbounded preceding and current row
        ) as earlier_number
    from said
),

final as (
    select
        looking_back.question,
        calls.call_id,
        calls.unit_id,
        calls.opened_at,
        earlier.call_id as earlier_call_id,
        earlier.ended_at as earlier_ended_at
    from looking_back
    inner join service_calls as calls on looking_back.number = calls.number
    inner join service_calls as earlier on looking_back.earlier_number = earlier.number
    where looking_back.answers = 0
)

select * from final
order by question, call_id
