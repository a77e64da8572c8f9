-- Visits that changed a unit, or only reset it, and may have stopped its low-pressure calls.
-- Grain: ticket or call whose note states the work. kind: 'service' (a completed call on the cold clock), 'return' or 'planned'
-- (completed; of these a reset alone is none); work: as in work_done, but to put a safety switch back is none; trigger_at:
-- opening of the call that brought it about: for a return the last service call before it, for planned work its own [UTC];
-- done_at: when it was closed, else opened.
with visits as (
    select
        service_calls.call_id,
        service_calls.unit_id,
        'service' as kind,
        service_calls.work,
        service_calls.opened_at,
        service_calls.ended_at as done_at
    from service_calls
    inner join cold_clock on service_calls.call_id = cold_clock.call_id
    where cold_clock.begins and service_calls.work <> 'safety switch put back'
    union all
    select
        in_calls.call_id,
        in_calls.unit_id,
        in_calls.work_type as kind,
        work_done.work,
        in_calls.opened_at,
        coalesce(in_calls.closed_at, in_calls.opened_at) as done_at
    from in_calls
    inner join work_done on in_calls.call_id = work_done.call_id
    where
        in_calls.work_type in ('return', 'planned')
        and coalesce(in_calls.status, 'completed') = 'completed'
        and work_done.work not in ('switch reset only', 'safety switch put back')
),

final as (
    select
        visits.call_id,
        visits.unit_id,
        visits.kind,
        visits.work,
        coalesce(return_triggers.trigger_at, visits.opened_at) as trigger_at,
        visits.done_at
    from visits
    left join return_triggers on visits.call_id = return_triggers.call_id
)

select * from final
order by call_id
