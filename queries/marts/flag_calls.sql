-- Every ticket that somebody went to or was to go to, as a sign of what is the matter with its unit.
-- Grain: ticket. is_complaint: the first ticket of a service call while in service, with weather or without; week,
-- ended_week: number of the week in which it was opened and closed; band: of the coldest hour of the day before it was
-- opened, null without weather; opened_h: hours since the calls export begins; the rest as in in_calls and call_symptoms.
select
    in_calls.call_id,
    in_calls.unit_id,
    coalesce(in_calls.work_type, 'service') as work_type,
    in_calls.opened_at,
    date_diff('minute', span.from_hour, in_calls.opened_at) / 60.0 as opened_h,
    cast(floor(date_diff('hour', span.from_hour, in_calls.opened_at) / 168.0) as integer) as week,
    cast(floor(date_diff('hour', span.from_hour, coalesce(in_calls.closed_at, in_calls.opened_at)) / 168.0) as integer)
        as ended_week,
    coalesce(service_tickets.is_first, false)
    and in_calls.opened_at >= unit_service.served_from
    and in_calls.opened_at < unit_service.served_to as is_complaint,
    coalesce(in_calls.status, 'completed') = 'completed' as is_completed,
    call_symptoms.symptom,
    call_symptoms.is_unclear,
    call_symptoms.low_pressure_probability,
    air_of_day.band
from in_calls
inner join unit_service on in_calls.unit_id = unit_service.unit_id
inner join call_symptoms on in_calls.call_id = call_symptoms.call_id
cross join span
left join service_tickets on in_calls.call_id = service_tickets.call_id
left join air_of_day
    on unit_service.station_id = air_of_day.station_id and date_trunc('hour', in_calls.opened_at) = air_of_day.hour
where coalesce(in_calls.status, 'completed') <> 'cancelled'
order by in_calls.call_id
