-- When do callbacks come? Hazard by week since the end of the call, for each symptom.
-- Grain: symptom, week (from 0, up to 12). at_risk: calls still watched and not yet back when the week begins; callbacks: in that
-- week; hazard: callbacks / at_risk [-]; calls whose watching ends within a week count as at risk in it.
with weeks as (
    select unnest(range(13)) as week
),

final as (
    select
        callback_windows.symptom,
        weeks.week,
        count(*) as at_risk,
        count(*) filter (where callback_windows.callback_after_d < 7 * (weeks.week + 1)) as callbacks
    from callback_windows
    inner join weeks
        on least(coalesce(callback_windows.callback_after_d, 1e9), callback_windows.watched_d) >= 7 * weeks.week
    group by callback_windows.symptom, weeks.week
)

select
    symptom,
    week,
    at_risk,
    callbacks,
    round(callbacks / at_risk, 5) as hazard
from final
order by symptom, week
