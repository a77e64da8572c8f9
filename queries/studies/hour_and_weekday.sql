-- When does the phone ring for cold-weather symptoms, and when for the rest? Hours are those of the site.
-- Grain: kind of symptom, weekday (1 Monday to 7 Sunday), hour of the day. calls; share: of the calls of that kind [-].
with final as (
    select
        case when cold_symptoms.symptom is null then 'other' else 'cold weather' end as kind,
        isodow(timezone(in_sites.time_zone, timezone('UTC', service_calls.opened_at))) as weekday,
        hour(timezone(in_sites.time_zone, timezone('UTC', service_calls.opened_at))) as hour,
        count(*) as calls
    from service_calls
    inner join in_units on service_calls.unit_id = in_units.unit_id
    inner join in_sites on in_units.site_id = in_sites.site_id
    left join cold_symptoms on service_calls.symptom = cold_symptoms.symptom
    group by all
)

select
    kind,
    weekday,
    hour,
    calls,
    round(calls / sum(calls) over (partition by kind), 5) as share
from final
order by kind, weekday, hour
