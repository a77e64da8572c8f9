-- The coldest hour of a typical winter at each station: what a control has to hold down to.
-- Grain: station with a whole winter or a typical year. winter_minimum_c: mean of the coldest hours of the winters of which
-- at least winter_whole_fraction was observed, else the coldest hour of the typical year [degC]; winters: how many, 0 for
-- a typical year.
with setting as (
    select max(case when name = 'winter_whole_fraction' then value end) as whole_fraction
    from thresholds
),

by_winter as (
    select
        weather_hours.station_id,
        months.winter,
        min(weather_hours.temperature_c) as coldest_c,
        count(*) as observed_hours,
        max(date_diff('hour', months.winter_from, months.winter_to)) as winter_hours
    from weather_hours
    inner join months on date_trunc('month', weather_hours.hour) = months.month
    group by weather_hours.station_id, months.winter
),

observed as (
    select
        by_winter.station_id,
        avg(by_winter.coldest_c) as winter_minimum_c,
        count(*) as winters
    from by_winter
    cross join setting
    where by_winter.observed_hours >= setting.whole_fraction * by_winter.winter_hours
    group by by_winter.station_id
),

typical as (
    select
        in_weather.station_id,
        min(in_weather.temperature_c) as winter_minimum_c,
        0 as winters
    from in_weather
    cross join setting
    left join observed on in_weather.station_id = observed.station_id
    where in_weather.kind = 'typical' and observed.station_id is null
    group by in_weather.station_id
    having count(*) >= max(setting.whole_fraction) * 8760
),

every_station as (
    select * from observed
    union all
    select * from typical
),

final as (
    select
        station_id,
        round(winter_minimum_c, 2) as winter_minimum_c,
        cast(winters as bigint) as winters
    from every_station
)

select * from final
order by station_id
