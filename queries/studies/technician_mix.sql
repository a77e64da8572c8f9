-- Does a technician's callback rate stand out once the mix of complaints is taken into account?
-- Grain: technician of the index call. calls: with a whole recall window; callbacks; expected: callbacks that these calls would
-- bring at the fleet's rate for each symptom in each season; ratio: callbacks over expected [-]. A figure about calls, not a
-- finding about a person: few calls say little, and hard jobs are not handed out evenly.
with setting as (
    select max(value) as window_d
    from thresholds
    where name = 'recall_window_days'
),

observed as (
    select
        callback_windows.technician,
        callback_windows.symptom,
        month(callback_windows.opened_at) % 12 // 3 as season,
        case when callback_windows.callback_after_d <= setting.window_d then 1 else 0 end as came_back
    from callback_windows
    cross join setting
    where callback_windows.watched_d >= setting.window_d
),

rates as (
    select
        symptom,
        season,
        avg(came_back) as rate
    from observed
    group by symptom, season
),

final as (
    select
        observed.technician,
        count(*) as calls,
        sum(observed.came_back) as callbacks,
        sum(rates.rate) as expected
    from observed
    inner join rates on observed.symptom = rates.symptom and observed.season = rates.season
    where observed.technician is not null
    group by observed.technician
)

select
    technician,
    calls,
    callbacks,
    round(expected, 3) as expected,
    round(callbacks / nullif(expected, 0), 3) as ratio
from final
order by technician
