-- What is known about each unit.
-- Grain: unit. calls: all its calls; readings: instants with readings; first_reading, last_reading [UTC];
-- weather_hours, weather_gap_hours: hours in service with and without weather [h].
with called as (
    select
        unit_id,
        count(*) as calls
    from in_calls
    group by unit_id
),

logged as (
    select
        unit_id,
        count(distinct read_at) as readings,
        min(read_at) as first_reading,
        max(read_at) as last_reading
    from in_readings
    group by unit_id
),

exposed as (
    select
        unit_id,
        cast(sum(service_hours - gap_hours) as bigint) as weather_hours,
        cast(sum(gap_hours) as bigint) as weather_gap_hours
    from cold_hours
    group by unit_id
),

final as (
    select
        in_units.unit_id,
        coalesce(called.calls, 0) as calls,
        coalesce(logged.readings, 0) as readings,
        logged.first_reading,
        logged.last_reading,
        coalesce(exposed.weather_hours, 0) as weather_hours,
        coalesce(exposed.weather_gap_hours, 0) as weather_gap_hours
    from in_units
    left join called on in_units.unit_id = called.unit_id
    left join logged on in_units.unit_id = logged.unit_id
    left join exposed on in_units.unit_id = exposed.unit_id
)

select * from final
order by unit_id
