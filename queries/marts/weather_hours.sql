-- Observed weather by whole UTC hour, short gaps bridged by straight lines and marked, longer gaps left out.
-- Grain: station, hour. temperature_c, dew_point_c [degC], wind_m_s [m/s], rounded to thousandths so that a value
-- converted from degF meets a limit given in degF exactly; interpolated: true where the hour was bridged.
with setting as (
    select max(case when name = 'weather_gap_filled_h' then value end) as filled_h
    from thresholds
),

-- 12 is the widest gap that the threshold allows to be bridged
steps (step) as (
    values (1), (2), (3), (4), (5), (6), (7), (8), (9), (10), (11), (12)
),

observed as (
    select
        station_id,
        hour,
        temperature_c,
        dew_point_c,
        wind_m_s,
        lead(hour) over (partition by station_id order by hour) as next_hour,
        lead(temperature_c) over (partition by station_id order by hour) as next_temperature_c,
        lead(dew_point_c) over (partition by station_id order by hour) as next_dew_point_c,
        lead(wind_m_s) over (partition by station_id order by hour) as next_wind_m_s
    from in_weather
    where kind = 'observed'
),

gaps as (
    select
        observed.*,
        date_diff('hour', observed.hour, observed.next_hour) as next_in_h
    from observed
    cross join setting
    where date_diff('hour', observed.hour, observed.next_hour) between 2 and setting.filled_h + 1
),

bridged as (
    select
        gaps.station_id,
        gaps.hour + steps.step * interval 1 hour as hour,
        gaps.temperature_c + (gaps.next_temperature_c - gaps.temperature_c) * steps.step / gaps.next_in_h
            as temperature_c,
        gaps.dew_point_c + (gaps.next_dew_point_c - gaps.dew_point_c) * steps.step / gaps.next_in_h as dew_point_c,
        gaps.wind_m_s + (gaps.next_wind_m_s - gaps.wind_m_s) * steps.step / gaps.next_in_h as wind_m_s
    from gaps
    inner join steps on gaps.next_in_h > steps.step
),

all_hours as (
    select
        station_id,
        hour,
        temperature_c,
        dew_point_c,
        wind_m_s,
        false as interpolated
    from observed
    union all
    select
        station_id,
        hour,
        temperature_c,
        dew_point_c,
        wind_m_s,
        true as interpolated
    from bridged
),

final as (
    select
        station_id,
        hour,
        round(temperature_c, 3) as temperature_c,
        round(dew_point_c, 3) as dew_point_c,
        round(wind_m_s, 3) as wind_m_s,
        interpolated
    from all_hours
)

select * from final
order by station_id, hour
