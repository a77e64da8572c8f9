-- Service calls, each complaint once.
-- Grain: call, named by its first ticket. number: of all calls by unit and time, from 1; ended_at: when the last of its tickets
-- was closed; is_index: completed, so that a recall window runs from its end; symptom: of its first ticket; technician: of
-- its first ticket that names one; work: what was done, as in work_done, over all its tickets, null where nothing is
-- stated; tickets: how many.
with named as (
    select
        service_tickets.*,
        call_symptoms.symptom,
        in_calls.technician,
        work_done.work,
        row_number() over (
            partition by service_tickets.unit_id, service_tickets.place
            order by
                case when in_calls.technician is null then 1 else 0 end,
                service_tickets.opened_at,
                service_tickets.call_id
        ) as technician_place,
        row_number() over (
            partition by service_tickets.unit_id, service_tickets.place
            order by coalesce(work_done.rank, 1000), service_tickets.opened_at, service_tickets.call_id
        ) as work_place
    from service_tickets
    inner join in_calls on service_tickets.call_id = in_calls.call_id
    inner join call_symptoms on service_tickets.call_id = call_symptoms.call_id
    left join work_done on service_tickets.call_id = work_done.call_id
),

final as (
    select
        max(case when is_first then call_id end) as call_id,
        unit_id,
        row_number() over (order by unit_id, place) as number,
        min(opened_at) as opened_at,
        max(ended_at) as ended_at,
        max(case when is_completed then 1 else 0 end) = 1 as is_index,
        max(case when is_first then symptom end) as symptom,
        max(case when technician_place = 1 then technician end) as technician,
        max(case when work_place = 1 then work end) as work,
        count(*) as tickets
    from named
    group by unit_id, place
)

select * from final
order by call_id
