-- Tickets that answer a complaint but are counted in no call or in several: both counts, where they differ; it must be empty.
with answering as (
    select count(*) as tickets
    from in_calls
    where coalesce(work_type, 'service') = 'service' and coalesce(status, 'completed') <> 'cancelled'
),

gathered as (
    select coalesce(sum(tickets), 0) as tickets
    from service_calls
)

select
    answering.tickets,
    gathered.tickets as tickets_of_calls
from answering
cross join gathered
where answering.tickets <> gathered.tickets
order by answering.tickets
