-- Units whose banded hours are not their hours in service with weather (at opening), or are more than those (coldest demand
-- hour); it must be empty.
with banded as (
    select
        unit_id,
        sum(case when measure = 'at opening' then unit_hours else 0 end) as at_opening,
        sum(case when measure = 'coldest demand hour' then unit_hours else 0 end) as coldest
    from unit_bands
    group by unit_id
),

served as (
    select
        unit_id,
        sum(service_hours - gap_hours) as hours_with_weather
    from cold_hours
    group by unit_id
)

select
    coalesce(served.unit_id, banded.unit_id) as unit_id,
    coalesce(served.hours_with_weather, 0) as hours_with_weather,
    coalesce(banded.at_opening, 0) as at_opening,
    coalesce(banded.coldest, 0) as coldest
from served
full outer join banded on served.unit_id = banded.unit_id
where
    coalesce(served.hours_with_weather, 0) <> coalesce(banded.at_opening, 0)
    or coalesce(banded.coldest, 0) > coalesce(served.hours_with_weather, 0)
order by unit_id
