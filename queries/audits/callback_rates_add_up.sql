-- Dimensions of callback rates whose groups do not add up to the fleet; it must be empty.
with summed as (
    select
        clock,
        dimension,
        sum(calls) as calls,
        sum(censored) as censored,
        sum(callbacks) as callbacks
    from callback_rates
    where dimension not in ('fleet', 'window')
    group by clock, dimension
)

select
    summed.clock,
    summed.dimension,
    summed.calls,
    fleet.calls as fleet_calls
from summed
left join callback_rates as fleet
    on summed.clock = fleet.clock and fleet.dimension = 'fleet' and fleet.value = 'related'
where
    fleet.calls is null
    or summed.calls <> fleet.calls
    or summed.censored <> fleet.censored
    or summed.callbacks <> fleet.callbacks
order by summed.clock, summed.dimension
