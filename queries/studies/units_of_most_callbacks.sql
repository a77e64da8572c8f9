-- Do a few units bring most of the callbacks? Units by callbacks, with their running share.
-- Grain: unit with a callback. place: from 1; calls; callbacks; running_share: of the fleet's callbacks by this unit and those
-- above it [-].
with counted as (
    select
        service_calls.unit_id,
        count(*) as calls,
        count(callbacks.callback_of) as callbacks
    from service_calls
    inner join callbacks on service_calls.call_id = callbacks.call_id
    group by service_calls.unit_id
),

final as (
    select
        row_number() over (order by counted.callbacks desc, counted.unit_id asc) as place,
        counted.unit_id,
        in_units.site_id,
        counted.calls,
        counted.callbacks,
        sum(counted.callbacks) over (
            order by counted.callbacks desc, counted.unit_id asc rows between unbounded preceding and current row
        ) / sum(counted.callbacks) over () as running_share
    from counted
    inner join in_units on counted.unit_id = in_units.unit_id
    where counted.callbacks > 0
)

select
    place,
    unit_id,
    site_id,
    calls,
    callbacks,
    round(running_share, 4) as running_share
from final
order by place
