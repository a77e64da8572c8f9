-- How long each call's unit was watched after it.
-- Grain: index call. watched_to: the earliest of the end of the calls export, the unit's end of service and retirement,
-- and the first planned retrofit after the call's end; never before that end [UTC].
with next_retrofit as (
    select
        service_calls.call_id,
        min(retrofits.done_at) as done_at
    from service_calls
    inner join retrofits
        on service_calls.unit_id = retrofits.unit_id and service_calls.ended_at < retrofits.done_at
    group by service_calls.call_id
),

final as (
    select
        service_calls.call_id,
        service_calls.unit_id,
        service_calls.ended_at,
        greatest(
            service_calls.ended_at,
            least(
                span.to_hour,
                coalesce(in_units.served_to, span.to_hour),
                coalesce(in_units.retired_on, span.to_hour),
                coalesce(next_retrofit.done_at, span.to_hour)
            )
        ) as watched_to
    from service_calls
    inner join in_units on service_calls.unit_id = in_units.unit_id
    cross join span
    left join next_retrofit on service_calls.call_id = next_retrofit.call_id
    where service_calls.is_index
)

select * from final
order by call_id
