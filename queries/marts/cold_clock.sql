-- Calls with a cold-weather symptom on the clock of their unit's cold hours.
-- Grain: call with a symptom of cold_symptoms. begins: a cold recall window runs from its end; returns: it was opened in the
-- cold, so that it can be a return (null where the weather is not known); opened_h, ended_h, watched_h: cold hours of
-- the unit that began before it was opened, before its end, and before it was no longer watched [h], counted from the
-- first observed hour of the station, and in service only.
with calls as (
    select
        service_calls.call_id,
        exposure_classes.station_id,
        exposure_classes.demand_from_c,
        exposure_classes.starve_ambient_c,
        exposure_classes.served_from,
        exposure_classes.served_to,
        service_calls.opened_at,
        service_calls.ended_at,
        watched_calls.watched_to,
        call_weather.outdoor_min_c < exposure_classes.starve_ambient_c as in_the_cold,
        service_calls.is_index,
        cold_symptoms.begins
    from service_calls
    inner join cold_symptoms on service_calls.symptom = cold_symptoms.symptom
    inner join exposure_classes on service_calls.unit_id = exposure_classes.unit_id
    inner join call_weather on service_calls.call_id = call_weather.call_id
    left join watched_calls on service_calls.call_id = watched_calls.call_id
),

instants as (
    select
        call_id,
        'opened' as moment,
        station_id,
        demand_from_c,
        starve_ambient_c,
        least(greatest(opened_at, served_from), served_to) as instant
    from calls
    union all
    select
        call_id,
        'ended' as moment,
        station_id,
        demand_from_c,
        starve_ambient_c,
        least(greatest(ended_at, served_from), served_to) as instant
    from calls
    union all
    select
        call_id,
        'watched' as moment,
        station_id,
        demand_from_c,
        starve_ambient_c,
        least(greatest(watched_to, served_from), served_to) as instant
    from calls
    where is_index
),

classes as (
    select distinct
        station_id,
        demand_from_c,
        starve_ambient_c
    from calls
),

-- an hour stands after the instants at its beginning, so that an instant counts the hours that began before it
marks as (
    select
        call_id,
        moment,
        station_id,
        demand_from_c,
        starve_ambient_c,
        instant,
        0 as cold_hours
    from instants
    union all
    select
        null as call_id,
        null as moment,
        classes.station_id,
        classes.demand_from_c,
        classes.starve_ambient_c,
        weather_hours.hour as instant,
        1 as cold_hours
    from classes
    inner join weather_hours
        on
            classes.station_id = weather_hours.station_id
            and weather_hours.temperature_c >= classes.demand_from_c
            and weather_hours.temperature_c < classes.starve_ambient_c
),

counted as (
    select
        call_id,
        moment,
        sum(cold_hours) over (
            partition by station_id, demand_from_c, starve_ambient_c
            order by instant, cold_hours rows between unbounded preceding and current row
        ) as cold_hours
    from marks
),

by_call as (
    select
        call_id,
        cast(max(case when moment = 'opened' then cold_hours end) as bigint) as opened_h,
        cast(max(case when moment = 'ended' then cold_hours end) as bigint) as ended_h,
        cast(max(case when moment = 'watched' then cold_hours end) as bigint) as watched_h
    from counted
    where call_id is not null
    group by call_id
),

final as (
    select
        calls.call_id,
        calls.is_index and (calls.begins = 'in any weather' or coalesce(calls.in_the_cold, false)) as begins,
        calls.in_the_cold as returns,
        by_call.opened_h,
        by_call.ended_h,
        by_call.watched_h
    from calls
    inner join by_call on calls.call_id = by_call.call_id
)

select * from final
order by call_id
