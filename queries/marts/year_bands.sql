-- Hours of a typical year by the coldest hour of the day before, calendar month by calendar month over what was observed;
-- from a typical year (TMY3, EPW) where the station has only that; a month never seen adds nothing.
-- Grain: station, band. hours [h].
with typical_hours as (
    select
        station_id,
        hour,
        min(temperature_c) over (
            partition by station_id order by hour range between interval 23 hour preceding and current row
        ) as coldest_c
    from in_weather
    where kind = 'typical'
),

setting as (
    select max(case when name = 'band_width_k' then value end) as width_k
    from thresholds
),

hours as (
    select
        station_id,
        extract(month from hour) as calendar_month,
        band
    from air_of_day
    union all
    select
        typical_hours.station_id,
        extract(month from typical_hours.hour) as calendar_month,
        cast(floor(round((typical_hours.coldest_c - 10) / setting.width_k, 3)) as integer) as band
    from typical_hours
    cross join setting
    where typical_hours.station_id not in (select air_of_day.station_id from air_of_day)
),

month_totals as (
    select
        station_id,
        calendar_month,
        count(*) as observed_hours
    from hours
    group by station_id, calendar_month
),

counted as (
    select
        station_id,
        calendar_month,
        band,
        count(*) as hours
    from hours
    group by station_id, calendar_month, band
),

final as (
    select
        counted.station_id,
        counted.band,
        sum(730.5 * counted.hours / month_totals.observed_hours) as hours
    from counted
    inner join month_totals
        on counted.station_id = month_totals.station_id and counted.calendar_month = month_totals.calendar_month
    group by counted.station_id, counted.band
)

select * from final
order by station_id, band
