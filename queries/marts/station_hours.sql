-- How many hours of a year each station has at each whole degree, for the share of a unit's cold that a control holds through.
-- Grain: station, floor_c. floor_c: temperature rounded down [degC]; hours: of 8,760 [h]. Observed weather where the station
-- has any, else its typical year. A station observed for part of the year only shows that part as if it were the year.
with observed as (
    select
        station_id,
        floor(temperature_c) as floor_c,
        count(*) as hours
    from weather_hours
    group by station_id, floor(temperature_c)
),

with_observed as (
    select distinct station_id
    from observed
),

typical as (
    select
        in_weather.station_id,
        floor(in_weather.temperature_c) as floor_c,
        count(*) as hours
    from in_weather
    left join with_observed on in_weather.station_id = with_observed.station_id
    where in_weather.kind = 'typical' and with_observed.station_id is null
    group by in_weather.station_id, floor(in_weather.temperature_c)
),

counted as (
    select * from observed
    union all
    select * from typical
),

final as (
    select
        station_id,
        cast(floor_c as bigint) as floor_c,
        round(8760.0 * hours / sum(hours) over (partition by station_id), 3) as hours
    from counted
)

select * from final
order by station_id, floor_c
