-- What the ranking and the forecast rest on: each unit with its cold low-pressure episodes and its cold hours.
-- Grain: unit. episodes, calls: cold ones while in service, all winters; cold_hours, reset_cold_hours: of all winters [h];
-- last_winter: the last winter of which ten months lie before the export's end (winter_done_months), null without one;
-- calls_last_winter: its cold episodes; the rest as in in_units, unit_service, unit_limits and typical_cold_hours.
with setting as (
    select cast(max(case when name = 'winter_done_months' then value end) as integer) as done_months
    from thresholds
),

done_winters as (
    select max(months.winter) as last_winter
    from months
    cross join setting
    inner join span
        on
            months.winter_from + setting.done_months * interval 1 month <= span.to_hour
            and months.winter_to > span.from_hour
),

called as (
    select
        episodes.unit_id,
        count(*) as episodes,
        sum(episodes.calls) as calls,
        sum(case when episodes.winter = done_winters.last_winter then 1 else 0 end) as calls_last_winter
    from episodes
    cross join done_winters
    where episodes.cold and episodes.in_service
    group by episodes.unit_id
),

exposed as (
    select
        unit_id,
        sum(cold_hours) as cold_hours,
        sum(reset_cold_hours) as reset_cold_hours
    from cold_hours
    group by unit_id
),

final as (
    select
        in_units.unit_id,
        in_units.site_id,
        in_sites.name as site_name,
        in_units.description,
        in_units.refrigerant,
        in_units.head_control,
        in_units.duty,
        unit_service.station_id,
        unit_service.still_served,
        unit_limits.reset_ambient_c,
        unit_limits.starve_ambient_c,
        cast(coalesce(called.episodes, 0) as bigint) as episodes,
        cast(coalesce(called.calls, 0) as bigint) as calls,
        cast(coalesce(exposed.cold_hours, 0) as bigint) as cold_hours,
        cast(exposed.reset_cold_hours as bigint) as reset_cold_hours,
        done_winters.last_winter,
        cast(coalesce(called.calls_last_winter, 0) as bigint) as calls_last_winter,
        typical_cold_hours.basis,
        typical_cold_hours.cold_hours_typical,
        typical_cold_hours.winters,
        typical_cold_hours.spread_cv,
        typical_cold_hours.spread_borrowed
    from in_units
    inner join unit_service on in_units.unit_id = unit_service.unit_id
    inner join unit_limits on in_units.unit_id = unit_limits.unit_id
    inner join typical_cold_hours on in_units.unit_id = typical_cold_hours.unit_id
    cross join done_winters
    left join in_sites on in_units.site_id = in_sites.site_id
    left join called on in_units.unit_id = called.unit_id
    left join exposed on in_units.unit_id = exposed.unit_id
)

select * from final
order by unit_id
