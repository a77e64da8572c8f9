-- How many tickets are second tickets for the same complaint, and how late do they come?
-- Grain: site with service tickets. tickets; calls: complaints; doubles: tickets less calls; share: of tickets [-]; most:
-- tickets for one complaint at the most; longest_h: from the first to the last ticket of one complaint [h].
with complaints as (
    select
        unit_id,
        place,
        count(*) as tickets,
        date_diff('minute', min(opened_at), max(opened_at)) / 60 as lasted_h
    from service_tickets
    group by unit_id, place
),

final as (
    select
        in_units.site_id,
        sum(complaints.tickets) as tickets,
        count(*) as calls,
        max(complaints.tickets) as most,
        max(complaints.lasted_h) as longest_h
    from complaints
    inner join in_units on complaints.unit_id = in_units.unit_id
    group by in_units.site_id
)

select
    site_id,
    tickets,
    calls,
    tickets - calls as doubles,
    round((tickets - calls) / tickets, 4) as share,
    most,
    round(longest_h, 1) as longest_h
from final
order by site_id
