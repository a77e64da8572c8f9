-- Low-pressure calls that no band of exposure counts, and why.
-- Grain: measure, reason. calls, episodes: as in unit_bands.
with opened as (
    select
        call_weather.in_service,
        call_weather.station_id,
        call_weather.band_at_opening,
        call_weather.band_coldest,
        case when low_pressure_calls.is_duplicate then 0 else 1 end as calls,
        case when low_pressure_calls.call_id = low_pressure_calls.episode_id then 1 else 0 end as episodes
    from low_pressure_calls
    inner join call_weather on low_pressure_calls.call_id = call_weather.call_id
),

reasons as (
    select
        'at opening' as measure,
        case
            when not in_service then 'outside service dates'
            when station_id is null then 'no weather station'
            when band_at_opening is null then 'no weather in that hour'
        end as reason,
        calls,
        episodes
    from opened
    union all
    select
        'coldest demand hour' as measure,
        case
            when not in_service then 'outside service dates'
            when station_id is null then 'no weather station'
            when band_at_opening is null then 'no weather in that hour'
            when band_coldest is null then 'no possible cooling demand in the 24 h before'
        end as reason,
        calls,
        episodes
    from opened
),

final as (
    select
        measure,
        reason,
        cast(sum(calls) as bigint) as calls,
        cast(sum(episodes) as bigint) as episodes
    from reasons
    where reason is not null
    group by measure, reason
)

select * from final
order by measure, reason
