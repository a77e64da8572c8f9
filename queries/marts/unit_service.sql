-- When each unit was in service within the calls export; never judged from the unit's first call.
-- Grain: unit. served_from, served_to: first hour in service and first hour after it [UTC], whole hours, cut to the
-- export's span (equal where none of it falls inside; null without calls); from_assumed, to_assumed: no date of the unit
-- list decides that end, so the end of the export is assumed; still_served: in service when the export ends.
with dated as (
    select
        in_units.unit_id,
        in_units.site_id,
        unit_station.station_id,
        span.from_hour,
        span.to_hour,
        in_units.served_from is null and (in_units.installed_on is null or in_units.installed_on <= span.from_hour)
            as from_assumed,
        in_units.served_to is null and (in_units.retired_on is null or in_units.retired_on >= span.to_hour)
            as to_assumed,
        greatest(
            span.from_hour, coalesce(in_units.served_from, span.from_hour), coalesce(in_units.installed_on, span.from_hour)
        ) as started_at,
        least(
            span.to_hour, coalesce(in_units.served_to, span.to_hour), coalesce(in_units.retired_on, span.to_hour)
        ) as ended_at
    from in_units
    inner join unit_station on in_units.unit_id = unit_station.unit_id
    cross join span
),

-- an hour counts when it begins within service: both ends go up to the next whole hour
whole as (
    select
        dated.*,
        date_trunc('hour', dated.started_at)
        + case when dated.started_at > date_trunc('hour', dated.started_at) then interval 1 hour else interval 0 hour end
            as first_hour,
        date_trunc('hour', dated.ended_at)
        + case when dated.ended_at > date_trunc('hour', dated.ended_at) then interval 1 hour else interval 0 hour end as end_hour
    from dated
),

final as (
    select
        unit_id,
        site_id,
        station_id,
        least(first_hour, to_hour) as served_from,
        greatest(end_hour, least(first_hour, to_hour)) as served_to,
        from_assumed,
        to_assumed,
        end_hour >= to_hour and first_hour < to_hour as still_served
    from whole
)

select * from final
order by unit_id
