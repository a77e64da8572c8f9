-- The coldest hour of each observed hour and the 23 before it, whoever asks for cooling: units fail at four in the
-- morning and the phone rings at nine, and a duty on the unit list may be wrong.
-- Grain: station, hour. coldest_c [degC]; band: as in demand_hours; week: number of the week since the calls export
-- begins, negative before it.
with setting as (
    select max(case when name = 'band_width_k' then value end) as width_k
    from thresholds
),

looking_back as (
    select
        station_id,
        hour,
        min(temperature_c) over (
            partition by station_id order by hour range between interval 23 hour preceding and current row
        ) as coldest_c
    from weather_hours
),

final as (
    select
        looking_back.station_id,
        looking_back.hour,
        looking_back.coldest_c,
        cast(floor(round((looking_back.coldest_c - 10) / setting.width_k, 3)) as integer) as band,
        cast(floor(date_diff('hour', span.from_hour, looking_back.hour) / 168.0) as integer) as week
    from looking_back
    cross join setting
    cross join span
)

select * from final
order by station_id, hour
