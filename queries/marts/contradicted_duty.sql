-- Units listed as comfort cooling with low-pressure episodes opened when even the warmest of the hour and the 23 before
-- was too cold to call for comfort cooling: a unit that keeps having them cools for more, whatever the list says.
-- Grain: unit with at least one. episodes: how many.
with setting as (
    select max(case when name = 'comfort_demand_from_c' then value end) as comfort_from_c
    from thresholds
),

hours_back (hours_back) as (
    values (0), (1), (2), (3), (4), (5), (6), (7), (8), (9), (10), (11),
    (12), (13), (14), (15), (16), (17), (18), (19), (20), (21), (22), (23)
),

-- one row for each of the 24 hours, so that hours are matched as equals
looked_at as (
    select
        low_pressure_calls.call_id,
        low_pressure_calls.unit_id,
        unit_station.station_id,
        low_pressure_calls.hour - hours_back.hours_back * interval 1 hour as hour
    from low_pressure_calls
    inner join in_units on low_pressure_calls.unit_id = in_units.unit_id
    inner join unit_station on low_pressure_calls.unit_id = unit_station.unit_id
    cross join hours_back
    where low_pressure_calls.episode_id = low_pressure_calls.call_id and in_units.duty = 'comfort'
),

warmest as (
    select
        looked_at.call_id,
        looked_at.unit_id,
        max(weather_hours.temperature_c) as warmest_c
    from looked_at
    inner join weather_hours
        on looked_at.station_id = weather_hours.station_id and looked_at.hour = weather_hours.hour
    group by looked_at.call_id, looked_at.unit_id
),

final as (
    select
        warmest.unit_id,
        count(*) as episodes
    from warmest
    cross join setting
    where warmest.warmest_c < round(setting.comfort_from_c, 3)
    group by warmest.unit_id
)

select * from final
order by unit_id
