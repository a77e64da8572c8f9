-- The weather each call was opened in.
-- Grain: call. hour: UTC hour in which it was opened; in_service: within the unit's service dates; outdoor_c: temperature
-- in that hour; outdoor_min_c: coldest hour with possible cooling demand of that hour and the 23 before;
-- outdoor_change_k: temperature less that of 24 h before [K]; wind_m_s [m/s]; interpolated: the hour was bridged;
-- band_at_opening, band_coldest: bands as in demand_hours. All null where that hour has no weather.
with opened as (
    select
        in_calls.call_id,
        in_calls.unit_id,
        date_trunc('hour', in_calls.opened_at) as hour,
        exposure_classes.station_id,
        exposure_classes.demand_from_c,
        date_trunc('hour', in_calls.opened_at) >= exposure_classes.served_from
        and date_trunc('hour', in_calls.opened_at) < exposure_classes.served_to as in_service
    from in_calls
    inner join exposure_classes on in_calls.unit_id = exposure_classes.unit_id
),

final as (
    select
        opened.call_id,
        opened.unit_id,
        opened.hour,
        opened.station_id,
        opened.in_service,
        demand_hours.temperature_c as outdoor_c,
        demand_hours.coldest_demand_c as outdoor_min_c,
        round(demand_hours.temperature_c - day_before.temperature_c, 3) as outdoor_change_k,
        weather_hours.wind_m_s,
        weather_hours.interpolated,
        demand_hours.band_at_opening,
        demand_hours.band_coldest
    from opened
    left join demand_hours
        on
            opened.station_id = demand_hours.station_id
            and opened.demand_from_c = demand_hours.demand_from_c
            and opened.hour = demand_hours.hour
    left join weather_hours
        on opened.station_id = weather_hours.station_id and opened.hour = weather_hours.hour
    left join weather_hours as day_before
        on opened.station_id = day_before.station_id and opened.hour - interval 24 hour = day_before.hour
)

select * from final
order by call_id
