-- Calls that do not have exactly one row in call_weather; it must be empty.
with found as (
    select
        call_id,
        count(*) as rows_found
    from call_weather
    group by call_id
)

select
    in_calls.call_id,
    in_calls.unit_id,
    coalesce(found.rows_found, 0) as rows_found
from in_calls
left join found on in_calls.call_id = found.call_id
where coalesce(found.rows_found, 0) <> 1
order by in_calls.call_id
