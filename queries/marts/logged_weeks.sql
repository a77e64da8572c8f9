-- Hours of each week in which a unit was logged. Grain: unit, week of the calls export. logged_hours [h].
with seen as (
    select distinct
        unit_id,
        date_trunc('hour', read_at) as hour
    from in_readings
),

final as (
    select
        seen.unit_id,
        cast(floor(date_diff('hour', span.from_hour, seen.hour) / 168.0) as integer) as week,
        count(*) as logged_hours
    from seen
    cross join span
    group by seen.unit_id, floor(date_diff('hour', span.from_hour, seen.hour) / 168.0)
)

select * from final
order by unit_id, week
