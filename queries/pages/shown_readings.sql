-- Readings of the windows that pages draw, thinned so that no dip or peak is lost: of each bucket of time the lowest and the
-- highest pressure of each tap, at the instants they were read, and the mean outdoor temperature.
-- Grain: unit, circuit, window_no, channel, read_at [UTC]. channel: suction_kpa, liquid_kpa, discharge_kpa [kPa absolute],
-- outdoor_c, station_c (the station's, only where the window has no outdoor_c) [degC]; value in that unit.
-- DuckDB's own: arg_min and arg_max.
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

bucketed as (
    select
        unit_id,
        circuit,
        window_no,
        bucket,
        min(suction_kpa) as suction_low,
        arg_min(read_at, suction_kpa) as suction_low_at,
        max(suction_kpa) as suction_high,
        arg_max(read_at, suction_kpa) as suction_high_at,
        min(liquid_kpa) as liquid_low,
        arg_min(read_at, liquid_kpa) as liquid_low_at,
        max(liquid_kpa) as liquid_high,
        arg_max(read_at, liquid_kpa) as liquid_high_at,
        min(discharge_kpa) as discharge_low,
        arg_min(read_at, discharge_kpa) as discharge_low_at,
        max(discharge_kpa) as discharge_high,
        arg_max(read_at, discharge_kpa) as discharge_high_at,
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
    from bucketed
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
        'suction_kpa' as channel,
        suction_low_at as read_at,
        suction_low as value
    from bucketed
    union
    select
        unit_id,
        circuit,
        window_no,
        'suction_kpa' as channel,
        suction_high_at as read_at,
        suction_high as value
    from bucketed
    union
    select
        unit_id,
        circuit,
        window_no,
        'liquid_kpa' as channel,
        liquid_low_at as read_at,
        liquid_low as value
    from bucketed
    union
    select
        unit_id,
        circuit,
        window_no,
        'liquid_kpa' as channel,
        liquid_high_at as read_at,
        liquid_high as value
    from bucketed
    union
    select
        unit_id,
        circuit,
        window_no,
        'discharge_kpa' as channel,
        discharge_low_at as read_at,
        discharge_low as value
    from bucketed
    union
    select
        unit_id,
        circuit,
        window_no,
        'discharge_kpa' as channel,
        discharge_high_at as read_at,
        discharge_high as value
    from bucketed
    union
    select
        unit_id,
        circuit,
        window_no,
        'outdoor_c' as channel,
        first_at as read_at,
        outdoor_c as value
    from bucketed
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
