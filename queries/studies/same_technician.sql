-- Is a complaint settled sooner when the one who was there comes back, or when somebody else does?
-- Grain: whether the callback went to the technician of the call it comes from. callbacks: with a name on both; came_back_again:
-- of these, those that brought another callback; rate [-]. Only callbacks with a whole recall window of their own.
with setting as (
    select max(value) as window_d
    from thresholds
    where name = 'recall_window_days'
),

final as (
    select
        later.technician = earlier.technician as same_technician,
        count(*) as callbacks,
        count(*) filter (where windows.callback_after_d <= setting.window_d) as came_back_again
    from callbacks
    inner join service_calls as later on callbacks.call_id = later.call_id
    inner join service_calls as earlier on callbacks.callback_of = earlier.call_id
    inner join callback_windows as windows on callbacks.call_id = windows.call_id
    cross join setting
    where later.technician is not null and earlier.technician is not null and windows.watched_d >= setting.window_d
    group by later.technician = earlier.technician
)

select
    same_technician,
    callbacks,
    came_back_again,
    round(came_back_again / callbacks, 4) as rate
from final
order by same_technician
