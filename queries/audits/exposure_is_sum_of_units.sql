-- Bands of exposure that are not the sums of the units' bands; it must be empty.
with summed as (
    select
        measure,
        round(lower_c, 2) as lower_c,
        sum(unit_hours) as unit_hours,
        sum(calls) as calls,
        sum(episodes) as episodes
    from unit_bands
    group by measure, round(lower_c, 2)
)

select
    coalesce(summed.measure, exposure.measure) as measure,
    coalesce(summed.lower_c, round(exposure.lower_c, 2)) as lower_c,
    summed.unit_hours,
    exposure.unit_hours as unit_hours_shown,
    summed.episodes,
    exposure.episodes as episodes_shown
from summed
full outer join exposure on summed.measure = exposure.measure and summed.lower_c = round(exposure.lower_c, 2)
where
    coalesce(summed.unit_hours, -1) <> coalesce(exposure.unit_hours, -1)
    or coalesce(summed.calls, -1) <> coalesce(exposure.calls, -1)
    or coalesce(summed.episodes, -1) <> coalesce(exposure.episodes, -1)
order by measure, lower_c
