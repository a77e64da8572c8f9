-- Hours in service of each unit on either side of the cold, by the coldest demand hour of the 24 h before.
-- Grain: unit that lived through both. cold_hours: bands below its starve ambient; mild_hours: at mild_from_c or above [h]; bands
-- that a limit cuts count for neither, as in cluster_calls. Units with one side only cannot be compared with themselves.
with setting as (
    select max(case when name = 'mild_from_c' then value end) as mild_c
    from thresholds
),

final as (
    select
        unit_bands.unit_id,
        unit_bands.site_id,
        cast(
            sum(
                case when unit_bands.upper_c < unit_limits.starve_ambient_c + 0.001 then unit_bands.unit_hours else 0 end
            ) as bigint
        ) as cold_hours,
        cast(
            sum(case when unit_bands.lower_c > setting.mild_c - 0.001 then unit_bands.unit_hours else 0 end) as bigint
        ) as mild_hours
    from unit_bands
    inner join unit_limits on unit_bands.unit_id = unit_limits.unit_id
    cross join setting
    where unit_bands.measure = 'coldest demand hour'
    group by unit_bands.unit_id, unit_bands.site_id
)

select * from final
where cold_hours > 0 and mild_hours > 0
order by unit_id
