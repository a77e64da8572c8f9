-- Callbacks that point at no index call, at a later one, at another unit or out of the recall window; it must be empty.
with setting as (
    select max(case when name = 'recall_window_days' then value end) as window_d
    from thresholds
)

select
    later.call_id,
    later.callback_of,
    later.after_d
from callbacks as later
cross join setting
left join callback_windows as earlier on later.callback_of = earlier.call_id
where
    later.callback_of is not null
    and (
        earlier.call_id is null
        or earlier.unit_id <> later.unit_id
        or later.after_d < 0
        or later.after_d > setting.window_d
    )
order by later.call_id
