-- How long do customers wait, cold or mild? Hours from the opening of a call to its close, by symptom.
-- Grain: symptom, cold (below 10 degC at opening, null without weather). calls: closed; median_h, ninth_decile_h [h].
with final as (
    select
        service_calls.symptom,
        call_weather.outdoor_c < 10 as cold,
        count(*) as calls,
        median(date_diff('minute', service_calls.opened_at, service_calls.ended_at) / 60) as median_h,
        quantile_cont(date_diff('minute', service_calls.opened_at, service_calls.ended_at) / 60, 0.9) as ninth_decile_h
    from service_calls
    inner join call_weather on service_calls.call_id = call_weather.call_id
    where service_calls.is_index and service_calls.ended_at > service_calls.opened_at
    group by service_calls.symptom, call_weather.outdoor_c < 10
)

select
    symptom,
    cold,
    calls,
    round(median_h, 2) as median_h,
    round(ninth_decile_h, 2) as ninth_decile_h
from final
order by symptom, cold
