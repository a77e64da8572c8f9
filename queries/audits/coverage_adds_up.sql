-- Units whose hours with and without weather are not their hours in service; it must be empty.
with served as (
    select
        unit_id,
        sum(service_hours) as service_hours
    from cold_hours
    group by unit_id
)

select
    coverage.unit_id,
    coverage.weather_hours,
    coverage.weather_gap_hours,
    coalesce(served.service_hours, 0) as service_hours
from coverage
left join served on coverage.unit_id = served.unit_id
where coverage.weather_hours + coverage.weather_gap_hours <> coalesce(served.service_hours, 0)
order by coverage.unit_id
