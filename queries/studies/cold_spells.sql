-- Do low-pressure calls come in cold spells? Spells of cold days at each station, with the episodes that began in them.
-- Grain: station, spell (days in a row with at least 12 hours below 10 degC). first_day, last_day [UTC]; days; coldest_c [degC];
-- units: served from the station; episodes: low-pressure, first call within the spell or the day after; per_100_units: episodes
-- of 100 units.
with cold_days_of_station as (
    select
        station_id,
        cast(hour as date) as day,
        min(temperature_c) as coldest_c
    from weather_hours
    group by station_id, cast(hour as date)
    having count(*) filter (where temperature_c < 10) >= 12
),

numbered as (
    select
        *,
        day - cast(row_number() over (partition by station_id order by day) as integer) as spell
    from cold_days_of_station
),

spells as (
    select
        station_id,
        min(day) as first_day,
        max(day) as last_day,
        count(*) as days,
        min(coldest_c) as coldest_c
    from numbered
    group by station_id, spell
),

served as (
    select
        station_id,
        count(*) as units
    from unit_station
    group by station_id
),

begun as (
    select
        unit_station.station_id,
        cast(episodes.first_opened_at as date) as day
    from episodes
    inner join unit_station on episodes.unit_id = unit_station.unit_id
),

final as (
    select
        spells.station_id,
        spells.first_day,
        spells.last_day,
        spells.days,
        spells.coldest_c,
        served.units,
        count(begun.day) as episodes
    from spells
    inner join served on spells.station_id = served.station_id
    left join begun
        on spells.station_id = begun.station_id and begun.day between spells.first_day and spells.last_day + 1
    group by all
)

select
    *,
    round(100 * episodes / units, 2) as per_100_units
from final
order by station_id, first_day
