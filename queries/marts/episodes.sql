-- Low-pressure episodes: the unit of counting, because the calls of one cold spell are not independent.
-- Grain: episode (named by its first call). calls: tickets in it, duplicates not counted; winter; in_service, outdoor_c,
-- outdoor_min_c, band_at_opening, band_coldest: of the first call, as in call_weather; cold: its coldest demand hour was
-- below the unit's starve ambient, null where that hour is not known.
with final as (
    select
        low_pressure_calls.episode_id,
        low_pressure_calls.unit_id,
        min(low_pressure_calls.opened_at) as first_opened_at,
        months.winter,
        cast(sum(case when low_pressure_calls.is_duplicate then 0 else 1 end) as bigint) as calls,
        call_weather.in_service,
        call_weather.outdoor_c,
        call_weather.outdoor_min_c,
        call_weather.band_at_opening,
        call_weather.band_coldest,
        call_weather.outdoor_min_c < unit_limits.starve_ambient_c as cold
    from low_pressure_calls
    inner join call_weather on low_pressure_calls.episode_id = call_weather.call_id
    inner join unit_limits on low_pressure_calls.unit_id = unit_limits.unit_id
    inner join months on call_weather.hour >= months.month and call_weather.hour < months.next_month
    group by
        low_pressure_calls.episode_id, low_pressure_calls.unit_id, months.winter, call_weather.in_service,
        call_weather.outdoor_c, call_weather.outdoor_min_c, call_weather.band_at_opening, call_weather.band_coldest,
        unit_limits.starve_ambient_c
)

select * from final
order by episode_id
