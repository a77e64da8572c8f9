-- Calls with their symptom from words alone, the weather they came in and what they come back from. Grain: ticket.
-- outdoor_c, outdoor_min_c [degC]; callback_of, is_callback, is_cold_callback: as in callbacks, none for tickets that are no
-- service call of their own (planned, returns, quotes, cancelled, second tickets); censored, cold_censored: as in
-- callback_windows, null for calls without such a window; cluster: by
-- words and weather, null for none; cold_probability: by words, weather and the unit's other calls.
with final as (
    select
        in_calls.call_id,
        in_calls.unit_id,
        in_calls.opened_at,
        call_weather.outdoor_c,
        call_weather.outdoor_min_c,
        call_symptoms.symptom,
        call_symptoms.symptom_probability,
        call_symptoms.is_unclear,
        call_clusters.cluster,
        callbacks.callback_of,
        callbacks.callback_of is not null as is_callback,
        callback_windows.censored,
        case when callbacks.call_id is null then false else callbacks.is_cold_callback end as is_cold_callback,
        callback_windows.cold_censored,
        cold_probabilities.cold_probability
    from in_calls
    inner join call_symptoms on in_calls.call_id = call_symptoms.call_id
    left join call_clusters on in_calls.call_id = call_clusters.call_id
    left join cold_probabilities on in_calls.call_id = cold_probabilities.call_id
    left join call_weather on in_calls.call_id = call_weather.call_id
    left join callbacks on in_calls.call_id = callbacks.call_id
    left join callback_windows on in_calls.call_id = callback_windows.call_id
)

select * from final
order by call_id
