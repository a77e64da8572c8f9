-- Readings of the windows that pages draw, thinned so that no dip or peak is lost: of each bucket of time the lowest and the
-- highest pressure of each tap, at the instants they were read, and the mean outdoor temperature.
-- Grain: unit, circuit, window_no, channel, read_at [UTC]. channel: suction_kpa, liquid_kpa, discharge_kpa [kPa absolute],
-- outdoor_c, station_c (the station's, only where the window has no outdoor_c) [degC]; value in that unit.
-- DuckDB's own: arg_min, arg_max and unpivot.
with of_one as (
    select in_readings.unit_id
    from in_readings
    inner join in_units on in_readings.unit_id = in_units.unit_id
    group by in_readings.unit_id
    having count(distinct in_readings.circuit) = 0 and max(coalesce(in_units.circuits, 1)) = 1
),

windows as (
    select
        *,
        greatest(1, date_diff('second', from_at, to_at)) as whole_s
    from shown_windows
),

placed as (
    select
        windows.unit_id,
        windows.circuit,
        windows.window_no,
        floor(date_diff('second', windows.from_at, in_readings.read_at) * windows.buckets / windows.whole_s) as bucket,
        in_readings.read_at,
        in_readings.suction_kpa,
        in_readings.liquid_kpa,
        in_readings.discharge_kpa,
        in_readings.outdoor_c
    from in_readings
    left join of_one on in_readings.unit_id = of_one.unit_id
    inner join windows
        on
            in_readings.unit_id = windows.unit_id
            and coalesce(in_readings.circuit, case when of_one.unit_id is not null then '1' else '' end)
            = coalesce(windows.circuit, '')
            and in_readings.read_at between windows.from_at and windows.to_at
),

tapped as (
    unpivot (
        select
            unit_id,
            circuit,
            window_no,
            bucket,
            read_at,
            suction_kpa,
            liquid_kpa,
            discharge_kpa
        from placed
    )
    on suction_kpa, liquid_kpa, discharge_kpa
    into name channel value kpa
),

extremes as (
    select
        unit_id,
        circuit,
        window_no,
        channel,
        bucket,
        min(kpa) as low,
        arg_min(read_at, kpa) as low_at,
        max(kpa) as high,
        arg_max(read_at, kpa) as high_at
    from tapped
    group by unit_id, circuit, window_no, channel, bucket
),

outdoors as (
    select
        unit_id,
        circuit,
        window_no,
        round(avg(outdoor_c), 2) as outdoor_c,
        min(read_at) as first_at
    from placed
    group by unit_id, circuit, window_no, bucket
),

without_outdoor as (
    select
        unit_id,
        circuit,
        window_no
    from outdoors
    group by unit_id, circuit, window_no
    having count(outdoor_c) = 0
),

station as (
    select
        windows.unit_id,
        windows.circuit,
        windows.window_no,
        round(avg(weather_hours.temperature_c), 2) as station_c,
        min(weather_hours.hour) as first_at
    from windows
    inner join without_outdoor
        on
            windows.unit_id = without_outdoor.unit_id
            and coalesce(windows.circuit, '') = coalesce(without_outdoor.circuit, '')
            and windows.window_no = without_outdoor.window_no
    inner join unit_station on windows.unit_id = unit_station.unit_id
    inner join weather_hours
        on
            unit_station.station_id = weather_hours.station_id
            and weather_hours.hour between windows.from_at - interval 1 hour and windows.to_at + interval 1 hour
    group by
        windows.unit_id,
        windows.circuit,
        windows.window_no,
        floor(date_diff('second', windows.from_at, weather_hours.hour) * windows.buckets / windows.whole_s)
),

-- union, not union all: a bucket of one sample, or of equal ones, gives one point
points as (
    select
        unit_id,
        circuit,
        window_no,
        channel,
        low_at as read_at,
        low as value
    from extremes
    union
    select
        unit_id,
        circuit,
        window_no,
        channel,
        high_at as read_at,
        high as value
    from extremes
    union
    select
        unit_id,
        circuit,
        window_no,
        'outdoor_c' as channel,
        first_at as read_at,
        outdoor_c as value
    from outdoors
    union
    select
        unit_id,
        circuit,
        window_no,
        'station_c' as channel,
        first_at as read_at,
        station_c as value
    from station
)

select
    unit_id,
    circuit,
    window_no,
    channel,
    read_at,
    value
from points
where value is not null
order by unit_id, circuit, window_no, channel, read_at
