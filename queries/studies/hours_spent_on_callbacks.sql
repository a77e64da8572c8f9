-- What do callbacks cost in hours and parts, site by site?
-- Grain: site with service calls. calls; callbacks; callback_hours: labour and travel on them [h]; all_hours: on all service
-- calls [h]; callback_parts: parts used on them, in the currency of the export; rework_share: callback_hours / all_hours [-]
-- (rework over maintenance hours, as in SMRP metric 4.1).
with final as (
    select
        in_units.site_id,
        count(*) as calls,
        count(callbacks.callback_of) as callbacks,
        sum(coalesce(in_calls.labour_h, 0) + coalesce(in_calls.travel_h, 0)) as all_hours,
        sum(
            case when callbacks.callback_of is not null then coalesce(in_calls.labour_h, 0) + coalesce(in_calls.travel_h, 0) end
        ) as callback_hours,
        sum(case when callbacks.callback_of is not null then coalesce(in_calls.parts_cost, 0) end) as callback_parts
    from callbacks
    inner join in_calls on callbacks.call_id = in_calls.call_id
    inner join in_units on callbacks.unit_id = in_units.unit_id
    group by in_units.site_id
)

select
    site_id,
    calls,
    callbacks,
    round(coalesce(callback_hours, 0), 2) as callback_hours,
    round(all_hours, 2) as all_hours,
    round(coalesce(callback_parts, 0), 2) as callback_parts,
    round(coalesce(callback_hours, 0) / nullif(all_hours, 0), 4) as rework_share
from final
order by site_id
