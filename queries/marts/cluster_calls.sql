-- Service calls with their cluster, and on which side of the cold their coldest demand hour fell.
-- Grain: service call that belongs to a cluster, with its weather or by words alone. cluster; words_cluster: the same by words
-- alone; outdoor_c [degC]; is_cold: the band of the coldest demand hour of the 24 h before lies below the unit's starve
-- ambient; is_mild: it lies at mild_from_c or above; both false between, and where weather or service is not known.
with setting as (
    select
        max(case when name = 'band_width_k' then value end) as width_k,
        max(case when name = 'mild_from_c' then value end) as mild_c
    from thresholds
),

final as (
    select
        service_calls.call_id,
        service_calls.unit_id,
        in_units.site_id,
        call_clusters.cluster,
        call_clusters.words_cluster,
        call_weather.outdoor_c,
        callbacks.callback_of is not null as is_callback,
        coalesce(
            call_weather.in_service
            and 10 + (call_weather.band_coldest + 1) * setting.width_k < unit_limits.starve_ambient_c + 0.001,
            false
        ) as is_cold,
        coalesce(
            call_weather.in_service and 10 + call_weather.band_coldest * setting.width_k > setting.mild_c - 0.001, false
        ) as is_mild
    from service_calls
    inner join call_clusters on service_calls.call_id = call_clusters.call_id
    inner join in_units on service_calls.unit_id = in_units.unit_id
    left join callbacks on service_calls.call_id = callbacks.call_id
    left join call_weather on service_calls.call_id = call_weather.call_id
    left join unit_limits on service_calls.unit_id = unit_limits.unit_id
    cross join setting
    where call_clusters.cluster is not null or call_clusters.words_cluster is not null
)

select * from final
order by call_id
