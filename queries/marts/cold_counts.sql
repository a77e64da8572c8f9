-- Low-pressure episodes of each unit in its cold, and hours to hold them against, both by the coldest hour with possible demand
-- of the 24 h before.
-- Grain: unit that was in service with weather. episodes; cold_episodes: those in bands that lie wholly below the unit's starve
-- ambient; demand_hours: hours with a demand hour in those 24 h; cold_hours: those in such bands [h]. A band that the starve
-- ambient cuts counts as not cold, for calls and hours alike.
with final as (
    select
        unit_bands.unit_id,
        unit_bands.site_id,
        cast(sum(unit_bands.episodes) as bigint) as episodes,
        cast(
            sum(
                case when unit_bands.upper_c < unit_limits.starve_ambient_c + 0.001 then unit_bands.episodes else 0 end
            ) as bigint
        ) as cold_episodes,
        cast(
            sum(
                case when unit_bands.upper_c < unit_limits.starve_ambient_c + 0.001 then unit_bands.unit_hours else 0 end
            ) as bigint
        ) as cold_hours,
        cast(sum(unit_bands.unit_hours) as bigint) as demand_hours
    from unit_bands
    inner join unit_limits on unit_bands.unit_id = unit_limits.unit_id
    where unit_bands.measure = 'coldest demand hour'
    group by unit_bands.unit_id, unit_bands.site_id
)

select * from final
order by unit_id
