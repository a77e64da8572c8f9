-- Planned visits that fitted a head-pressure control: they end the recall windows that were open.
-- Grain: ticket. done_at: its close, else its opening [UTC].
with final as (
    select
        in_calls.call_id,
        in_calls.unit_id,
        coalesce(in_calls.closed_at, in_calls.opened_at) as done_at
    from in_calls
    inner join work_done on in_calls.call_id = work_done.call_id
    where
        in_calls.work_type = 'planned'
        and coalesce(in_calls.status, 'completed') = 'completed'
        and work_done.work = 'control fitted'
)

select * from final
order by call_id
