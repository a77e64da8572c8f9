-- What clusters and the probability of a cold lockout rest on: text, words read, and weather. Grain: ticket.
-- low_pressure_probability: from words alone; starve_ambient_c: of the unit [degC]; the rest as in in_calls and call_weather.
select
    in_calls.call_id,
    in_calls.unit_id,
    in_calls.opened_at,
    in_calls.work_type,
    in_calls.status,
    in_calls.complaint,
    in_calls.finding,
    in_calls.action,
    call_symptoms.low_pressure_probability,
    call_weather.outdoor_c,
    call_weather.outdoor_min_c,
    call_weather.outdoor_change_k,
    call_weather.wind_m_s,
    unit_limits.starve_ambient_c
from in_calls
inner join call_symptoms on in_calls.call_id = call_symptoms.call_id
left join call_weather on in_calls.call_id = call_weather.call_id
left join unit_limits on in_calls.unit_id = unit_limits.unit_id
order by in_calls.call_id
