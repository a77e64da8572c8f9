-- Cold hours of each day for units of one kind at one station, in service or not.
-- Grain: station, demand_from_c, starve_ambient_c, day with at least one. cold_hours [h].
with classes as (
    select distinct
        station_id,
        demand_from_c,
        starve_ambient_c
    from exposure_classes
),

final as (
    select
        classes.station_id,
        classes.demand_from_c,
        classes.starve_ambient_c,
        date_trunc('day', weather_hours.hour) as day,
        count(*) as cold_hours
    from classes
    inner join weather_hours
        on
            classes.station_id = weather_hours.station_id
            and weather_hours.temperature_c >= classes.demand_from_c
            and weather_hours.temperature_c < classes.starve_ambient_c
    group by
        classes.station_id, classes.demand_from_c, classes.starve_ambient_c, date_trunc('day', weather_hours.hour)
)

select * from final
order by station_id, demand_from_c, starve_ambient_c, day
