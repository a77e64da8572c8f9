-- Visits beside those of `repairs` that changed a unit or may have, so that the time of a repair before them ends.
-- Grain: ticket or call. work: as in work_done; null where it is not stated: a completed call on the cold clock that does not
-- say how it ended, or a completed return, which was ordered to do something, that states nothing or a reset alone. A safety
-- switch put back is here whatever the visit: nobody did it to have fewer calls. trigger_at: opening of the call that brought
-- it about: for a return the last service call before it [UTC]; done_at: when it was closed, else opened.
with visits as (
    select
        service_calls.call_id,
        service_calls.unit_id,
        service_calls.work,
        service_calls.opened_at,
        service_calls.ended_at as done_at
    from service_calls
    left join cold_clock on service_calls.call_id = cold_clock.call_id
    where
        service_calls.is_index
        and case
            when coalesce(cold_clock.begins, false)
                then coalesce(service_calls.work, 'safety switch put back') = 'safety switch put back'
            else service_calls.work <> 'switch reset only'
        end
    union all
    select
        in_calls.call_id,
        in_calls.unit_id,
        case when work_done.work <> 'switch reset only' then work_done.work end as work,
        in_calls.opened_at,
        coalesce(in_calls.closed_at, in_calls.opened_at) as done_at
    from in_calls
    left join work_done on in_calls.call_id = work_done.call_id
    where
        coalesce(in_calls.status, 'completed') = 'completed'
        and case
            when in_calls.work_type = 'return'
                then
                    coalesce(work_done.work, 'switch reset only') in ('switch reset only', 'safety switch put back')
            else in_calls.work_type = 'planned' and work_done.work = 'safety switch put back'
        end
),

final as (
    select
        visits.call_id,
        visits.unit_id,
        visits.work,
        coalesce(return_triggers.trigger_at, visits.opened_at) as trigger_at,
        visits.done_at
    from visits
    left join return_triggers on visits.call_id = return_triggers.call_id
)

select * from final
order by call_id
