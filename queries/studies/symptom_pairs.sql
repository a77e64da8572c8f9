-- What does a complaint come back as? Callbacks by the symptom of the call they come from and their own.
-- Grain: symptom before, symptom after. callbacks; share: of all callbacks after that symptom [-]; median_after_d: days between
-- [d].
with final as (
    select
        earlier.symptom as symptom_before,
        later.symptom as symptom_after,
        count(*) as callbacks,
        median(callbacks.after_d) as median_after_d
    from callbacks
    inner join service_calls as later on callbacks.call_id = later.call_id
    inner join service_calls as earlier on callbacks.callback_of = earlier.call_id
    group by earlier.symptom, later.symptom
)

select
    symptom_before,
    symptom_after,
    callbacks,
    round(callbacks / sum(callbacks) over (partition by symptom_before), 4) as share,
    round(median_after_d, 2) as median_after_d
from final
order by symptom_before asc, callbacks desc, symptom_after asc
