-- What the forecast rests on: unit_counts, with the calls of the last winter counted as the forecast counts them.
-- Grain: unit. calls_last_winter: complaints of last_winter that were likely cold lockouts; the rest as in unit_counts.
with came as (
    select
        unit_id,
        winter,
        count(*) as calls
    from likely_cold_calls
    group by unit_id, winter
)

select
    unit_counts.unit_id,
    unit_counts.site_id,
    unit_counts.site_name,
    unit_counts.description,
    unit_counts.refrigerant,
    unit_counts.head_control,
    unit_counts.duty,
    unit_counts.station_id,
    unit_counts.still_served,
    unit_counts.reset_ambient_c,
    unit_counts.starve_ambient_c,
    unit_counts.episodes,
    unit_counts.calls,
    unit_counts.cold_hours,
    unit_counts.reset_cold_hours,
    unit_counts.last_winter,
    cast(coalesce(came.calls, 0) as bigint) as calls_last_winter,
    unit_counts.basis,
    unit_counts.cold_hours_typical,
    unit_counts.winters,
    unit_counts.spread_cv,
    unit_counts.spread_borrowed
from unit_counts
left join came on unit_counts.unit_id = came.unit_id and unit_counts.last_winter = came.winter
order by unit_counts.unit_id
