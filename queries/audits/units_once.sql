-- Units that do not have exactly one row in each mart of grain unit; it must be empty.
with marts as (
    select
        'unit_station' as mart,
        unit_id
    from unit_station
    union all
    select
        'unit_service' as mart,
        unit_id
    from unit_service
    union all
    select
        'unit_limits' as mart,
        unit_id
    from unit_limits
    union all
    select
        'exposure_classes' as mart,
        unit_id
    from exposure_classes
    union all
    select
        'typical_cold_hours' as mart,
        unit_id
    from typical_cold_hours
    union all
    select
        'coverage' as mart,
        unit_id
    from coverage
    union all
    select
        'unit_counts' as mart,
        unit_id
    from unit_counts
),

names as (
    select distinct mart from marts
),

expected as (
    select
        names.mart,
        in_units.unit_id
    from in_units
    cross join names
),

found as (
    select
        mart,
        unit_id,
        count(*) as rows_found
    from marts
    group by mart, unit_id
)

select
    coalesce(expected.mart, found.mart) as mart,
    coalesce(expected.unit_id, found.unit_id) as unit_id,
    coalesce(found.rows_found, 0) as rows_found
from expected
full outer join found on expected.mart = found.mart and expected.unit_id = found.unit_id
where coalesce(found.rows_found, 0) <> 1 or expected.unit_id is null
order by mart, unit_id
