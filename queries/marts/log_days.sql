-- Days on which a circuit was logged, and what happened on them.
-- Grain: unit, circuit (null where a recorder names none on a unit of several), UTC day. readings: instants; first_at, last_at
-- [UTC]; coldest_c: coldest outdoor temperature logged, the station's where none was [degC]; events: trips and lockouts that
-- began.
with of_one as (
    select in_readings.unit_id
    from in_readings
    inner join in_units on in_readings.unit_id = in_units.unit_id
    group by in_readings.unit_id
    having count(distinct in_readings.circuit) = 0 and max(coalesce(in_units.circuits, 1)) = 1
),

named as (
    select
        in_readings.unit_id,
        coalesce(in_readings.circuit, case when of_one.unit_id is not null then '1' end) as circuit,
        date_trunc('day', in_readings.read_at) as day,
        in_readings.read_at,
        in_readings.outdoor_c
    from in_readings
    left join of_one on in_readings.unit_id = of_one.unit_id
),

logged as (
    select
        unit_id,
        circuit,
        day,
        count(*) as readings,
        min(read_at) as first_at,
        max(read_at) as last_at,
        min(outdoor_c) as logged_coldest_c
    from named
    group by unit_id, circuit, day
),

happened as (
    select
        unit_id,
        circuit,
        date_trunc('day', tripped_at) as day
    from trips
    union all
    select
        unit_id,
        circuit,
        date_trunc('day', started_at) as day
    from lockouts
),

counted as (
    select
        unit_id,
        circuit,
        day,
        count(*) as events
    from happened
    group by unit_id, circuit, day
),

final as (
    select
        logged.unit_id,
        logged.circuit,
        logged.day,
        logged.readings,
        logged.first_at,
        logged.last_at,
        coalesce(logged.logged_coldest_c, coldest_days.coldest_c) as coldest_c,
        coalesce(counted.events, 0) as events
    from logged
    left join unit_station on logged.unit_id = unit_station.unit_id
    left join coldest_days on unit_station.station_id = coldest_days.station_id and logged.day = coldest_days.day
    left join counted
        on
            logged.unit_id = counted.unit_id
            and coalesce(logged.circuit, '') = coalesce(counted.circuit, '')
            and logged.day = counted.day
)

select * from final
order by unit_id, circuit, day
