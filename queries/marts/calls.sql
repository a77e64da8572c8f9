-- Calls with their symptom from words alone and the weather they came in. Grain: call.
-- outdoor_c, outdoor_min_c [degC]; columns that later steps fill are null.
with final as (
    select
        in_calls.call_id,
        in_calls.unit_id,
        in_calls.opened_at,
        call_weather.outdoor_c,
        call_weather.outdoor_min_c,
        call_symptoms.symptom,
        call_symptoms.symptom_probability,
        cast(null as varchar) as cluster,
        cast(null as varchar) as callback_of,
        cast(null as boolean) as is_callback,
        cast(null as boolean) as censored,
        cast(null as boolean) as is_cold_callback,
        cast(null as boolean) as cold_censored,
        cast(null as double) as cold_probability
    from in_calls
    inner join call_symptoms on in_calls.call_id = call_symptoms.call_id
    left join call_weather on in_calls.call_id = call_weather.call_id
)

select * from final
order by call_id
