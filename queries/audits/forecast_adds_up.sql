-- Sites and fleet whose expected calls are not the sum of their units' (to rounding), and rows whose interval is upside
-- down; it must be empty.
with units as (
    select * from forecast
    where level = 'unit'
),

totals as (
    select
        'site' as level,
        site_id,
        sum(expected_cold_calls) as expected,
        sum(calls_last_winter) as counted,
        count(*) as units
    from units
    group by site_id
    union all
    select
        'fleet' as level,
        null as site_id,
        sum(expected_cold_calls) as expected,
        sum(calls_last_winter) as counted,
        count(*) as units
    from units
    having count(*) > 0
),

compared as (
    select
        forecast.level,
        forecast.unit_id,
        forecast.site_id,
        forecast.expected_cold_calls,
        forecast.lower_90,
        forecast.upper_90,
        totals.expected,
        forecast.level <> 'unit' and (
            totals.expected is null
            or abs(totals.expected - forecast.expected_cold_calls) > 0.0005 * (totals.units + 1) + 1e-6
            or totals.counted <> forecast.calls_last_winter
        ) as differs
    from forecast
    left join totals
        on forecast.level = totals.level and coalesce(forecast.site_id, '') = coalesce(totals.site_id, '')
)

select
    level,
    unit_id,
    site_id,
    expected_cold_calls,
    expected,
    lower_90,
    upper_90
from compared
where differs or lower_90 > upper_90
order by level, site_id, unit_id
