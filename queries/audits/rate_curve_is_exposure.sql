-- Bands in which the curve of low-pressure trips counts other hours or episodes than the table exposure; it must be empty.
select
    exposure.measure,
    exposure.lower_c,
    exposure.unit_hours,
    exposure.episodes,
    rate_curve.unit_hours as curve_hours,
    rate_curve.episodes as curve_episodes
from exposure
full outer join rate_curve
    on
        exposure.measure = rate_curve.measure
        and abs(exposure.lower_c - rate_curve.lower_c) < 0.001
        and rate_curve.symptom = 'low-pressure trip'
where
    coalesce(rate_curve.symptom, 'low-pressure trip') = 'low-pressure trip'
    and exists (select 1 from rate_curve as any_curve where any_curve.symptom = 'low-pressure trip')
    and (
        coalesce(exposure.unit_hours, 0) <> coalesce(rate_curve.unit_hours, 0)
        or coalesce(exposure.episodes, 0) <> coalesce(rate_curve.episodes, 0)
    )
order by exposure.measure, exposure.lower_c
