-- Groups whose counts by symptom, for the window in force, do not add up to their callback rate; it must be empty.
with summed as (
    select
        recall_cells.clock,
        recall_cells.dimension,
        recall_cells.value,
        sum(recall_cells.calls) as calls,
        sum(recall_cells.censored) as censored,
        sum(recall_cells.callbacks) as callbacks
    from recall_cells
    inner join callback_rates
        on
            recall_cells.clock = callback_rates.clock
            and recall_cells.window = callback_rates.window
            and recall_cells.dimension = callback_rates.dimension
            and recall_cells.value = callback_rates.value
    group by recall_cells.clock, recall_cells.dimension, recall_cells.value
)

select
    callback_rates.clock,
    callback_rates.dimension,
    callback_rates.value,
    callback_rates.calls,
    summed.calls as summed_calls
from callback_rates
left join summed
    on
        callback_rates.clock = summed.clock
        and callback_rates.dimension = summed.dimension
        and callback_rates.value = summed.value
where
    callback_rates.dimension in ('work', 'weather band', 'month', 'unit kind', 'technician')
    and (
        summed.calls is null
        or summed.calls <> callback_rates.calls
        or summed.censored <> callback_rates.censored
        or summed.callbacks <> callback_rates.callbacks
    )
order by callback_rates.clock, callback_rates.dimension, callback_rates.value
