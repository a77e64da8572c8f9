-- Days on which a logged unit tripped on low pressure or was locked out in the cold. Grain: unit, day.
-- first_at: first of them [UTC]; stops: how many; band: of the coldest hour of the day before it.
with setting as (
    select max(case when name = 'mild_from_c' then value end) as mild_from_c
    from thresholds
),

stops as (
    select
        unit_id,
        tripped_at as stopped_at
    from trips
    where kind = 'low pressure'
    union all
    select
        unit_id,
        started_at as stopped_at
    from lockouts
),

placed as (
    select
        stops.unit_id,
        stops.stopped_at,
        date_trunc('day', stops.stopped_at) as day,
        air_of_day.coldest_c,
        air_of_day.week,
        air_of_day.band
    from stops
    inner join unit_service on stops.unit_id = unit_service.unit_id
    inner join air_of_day
        on unit_service.station_id = air_of_day.station_id and date_trunc('hour', stops.stopped_at) = air_of_day.hour
),

final as (
    select
        placed.unit_id,
        placed.day,
        placed.week,
        min(placed.stopped_at) as first_at,
        count(*) as stops,
        min(placed.band) as band
    from placed
    cross join setting
    where placed.coldest_c < setting.mild_from_c
    group by placed.unit_id, placed.day, placed.week
)

select * from final
order by unit_id, day
