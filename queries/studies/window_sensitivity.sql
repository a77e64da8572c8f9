-- How much does the callback rate hang on the length of the recall window, for which there is no standard?
-- Grain: window. window_d [d]; calls: index calls watched for the whole window; callbacks: of these, those that came back
-- within it; rate [-].
with lengths (window_d) as (
    values (7), (14), (21), (30), (45), (60), (90), (180)
),

final as (
    select
        lengths.window_d,
        count(*) as calls,
        count(*) filter (where callback_windows.callback_after_d <= lengths.window_d) as callbacks
    from lengths
    inner join callback_windows on lengths.window_d <= callback_windows.watched_d
    group by lengths.window_d
)

select
    window_d,
    calls,
    callbacks,
    round(callbacks / calls, 4) as rate
from final
order by window_d
