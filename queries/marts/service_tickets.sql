-- Tickets that answer a complaint, and the call each belongs to: tickets for one complaint are one call.
-- Grain: ticket. place: number of the call on its unit, from 1; is_first: the ticket that opened the call; ended_at: its
-- close, else its opening; is_completed: a ticket without status counts as completed.
-- A ticket belongs to the call before it when it was opened within duplicate_ticket_hours of that call's last ticket, or
-- before all tickets of that call were closed, whatever the symptom and the circuit. Cancelled tickets, planned work,
-- ordered returns and quotes are not in it; a ticket without work type counts as service.
with setting as (
    select max(case when name = 'duplicate_ticket_hours' then value end) as duplicate_h
    from thresholds
),

tickets as (
    select
        call_id,
        unit_id,
        opened_at,
        coalesce(closed_at, opened_at) as ended_at,
        coalesce(status, 'completed') = 'completed' as is_completed
    from in_calls
    where coalesce(work_type, 'service') = 'service' and coalesce(status, 'completed') <> 'cancelled'
),

looking_back as (
    select
        tickets.*,
        lag(tickets.opened_at) over (partition by tickets.unit_id order by tickets.opened_at, tickets.call_id)
            as last_opened_at,
        max(tickets.ended_at) over (
            partition by tickets.unit_id
            order by tickets.opened_at, tickets.call_id rows between unbounded preceding and 1 preceding
        ) as busy_until
    from tickets
),

marked as (
    select
        looking_back.call_id,
        looking_back.unit_id,
        looking_back.opened_at,
        looking_back.ended_at,
        looking_back.is_completed,
        looking_back.last_opened_at is null or (
            looking_back.opened_at > looking_back.last_opened_at + setting.duplicate_h * interval 1 hour
            and looking_back.opened_at >= looking_back.busy_until
        ) as is_first
    from looking_back
    cross join setting
),

final as (
    select
        marked.call_id,
        marked.unit_id,
        cast(sum(case when marked.is_first then 1 else 0 end) over (
            partition by marked.unit_id
            order by marked.opened_at, marked.call_id rows between unbounded preceding and current row
        ) as bigint) as place,
        marked.is_first,
        marked.opened_at,
        marked.ended_at,
        marked.is_completed
    from marked
)

select * from final
order by call_id
