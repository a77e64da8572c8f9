-- Which complaints come in which months? Service calls and callbacks of each calendar month over all years.
-- Grain: month (1 to 12), symptom. calls; callbacks; share: of the month's calls [-].
with final as (
    select
        month(service_calls.opened_at) as month,
        service_calls.symptom,
        count(*) as calls,
        count(callbacks.callback_of) as callbacks
    from service_calls
    inner join callbacks on service_calls.call_id = callbacks.call_id
    group by month(service_calls.opened_at), service_calls.symptom
)

select
    month,
    symptom,
    calls,
    callbacks,
    round(calls / sum(calls) over (partition by month), 4) as share
from final
order by month, symptom
