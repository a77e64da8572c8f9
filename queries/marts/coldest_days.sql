-- How cold each day was.
-- Grain: station, UTC day. coldest_c [degC]; hours: with weather, 24 in a whole day.
with final as (
    select
        station_id,
        date_trunc('day', hour) as day,
        min(temperature_c) as coldest_c,
        count(*) as hours
    from weather_hours
    group by station_id, date_trunc('day', hour)
)

select * from final
order by station_id, day
