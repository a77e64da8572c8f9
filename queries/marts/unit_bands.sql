-- Hours in service, calls and episodes of each unit by band of outdoor temperature, calls and hours on the same measure.
-- Grain: unit, measure, band. measure: 'at opening' bands an hour by its own temperature, 'coldest demand hour' by the
-- coldest hour with possible demand of it and the 23 before (hours without one are in no band); lower_c, upper_c: band
-- from, to [degC]; unit_hours [h]; calls: low-pressure calls opened in such hours, duplicates not counted;
-- episodes: those whose first call was.
with setting as (
    select max(case when name = 'band_width_k' then value end) as width_k
    from thresholds
),

classes as (
    select distinct
        demand_class,
        station_id,
        served_from,
        served_to,
        demand_from_c
    from exposure_classes
    where served_from < served_to
),

-- by month, because whole months are shared by classes that differ in service dates
class_months as (
    select
        classes.demand_class,
        classes.station_id,
        classes.demand_from_c,
        months.month,
        greatest(classes.served_from, months.month) as from_hour,
        least(classes.served_to, months.next_month) as to_hour
    from classes
    inner join months on classes.served_from < months.next_month and classes.served_to > months.month
),

stretches as (
    select distinct
        station_id,
        demand_from_c,
        month,
        from_hour,
        to_hour
    from class_months
),

hours as (
    select
        station_id,
        demand_from_c,
        date_trunc('month', hour) as month,
        hour,
        band_at_opening,
        band_coldest
    from demand_hours
),

counted as (
    select
        stretches.station_id,
        stretches.from_hour,
        stretches.to_hour,
        stretches.demand_from_c,
        hours.band_at_opening,
        hours.band_coldest,
        count(*) as unit_hours
    from stretches
    inner join hours
        on
            stretches.station_id = hours.station_id
            and stretches.demand_from_c = hours.demand_from_c
            and stretches.month = hours.month
            and stretches.from_hour <= hours.hour
            and stretches.to_hour > hours.hour
    group by
        stretches.station_id, stretches.from_hour, stretches.to_hour, stretches.demand_from_c,
        hours.band_at_opening, hours.band_coldest
),

class_pairs as (
    select
        class_months.demand_class,
        counted.band_at_opening,
        counted.band_coldest,
        sum(counted.unit_hours) as unit_hours
    from class_months
    inner join counted
        on
            class_months.station_id = counted.station_id
            and class_months.from_hour = counted.from_hour
            and class_months.to_hour = counted.to_hour
            and class_months.demand_from_c = counted.demand_from_c
    group by class_months.demand_class, counted.band_at_opening, counted.band_coldest
),

class_bands as (
    select
        demand_class,
        'at opening' as measure,
        band_at_opening as band,
        sum(unit_hours) as unit_hours
    from class_pairs
    group by demand_class, band_at_opening
    union all
    select
        demand_class,
        'coldest demand hour' as measure,
        band_coldest as band,
        sum(unit_hours) as unit_hours
    from class_pairs
    where band_coldest is not null
    group by demand_class, band_coldest
),

exposed as (
    select
        exposure_classes.unit_id,
        class_bands.measure,
        class_bands.band,
        cast(class_bands.unit_hours as bigint) as unit_hours
    from exposure_classes
    inner join class_bands on exposure_classes.demand_class = class_bands.demand_class
),

opened as (
    select
        call_weather.unit_id,
        call_weather.band_at_opening,
        call_weather.band_coldest,
        case when low_pressure_calls.is_duplicate then 0 else 1 end as calls,
        case when low_pressure_calls.call_id = low_pressure_calls.episode_id then 1 else 0 end as episodes
    from low_pressure_calls
    inner join call_weather on low_pressure_calls.call_id = call_weather.call_id
    where call_weather.in_service
),

called as (
    select
        unit_id,
        'at opening' as measure,
        band_at_opening as band,
        calls,
        episodes
    from opened
    union all
    select
        unit_id,
        'coldest demand hour' as measure,
        band_coldest as band,
        calls,
        episodes
    from opened
),

counted_calls as (
    select
        unit_id,
        measure,
        band,
        cast(sum(calls) as bigint) as calls,
        cast(sum(episodes) as bigint) as episodes
    from called
    where band is not null
    group by unit_id, measure, band
),

final as (
    select
        exposed.unit_id,
        in_units.site_id,
        exposed.measure,
        exposed.band,
        round(10 + exposed.band * setting.width_k, 4) as lower_c,
        round(10 + (exposed.band + 1) * setting.width_k, 4) as upper_c,
        exposed.unit_hours,
        coalesce(counted_calls.calls, 0) as calls,
        coalesce(counted_calls.episodes, 0) as episodes
    from exposed
    inner join in_units on exposed.unit_id = in_units.unit_id
    cross join setting
    left join counted_calls
        on
            exposed.unit_id = counted_calls.unit_id
            and exposed.measure = counted_calls.measure
            and exposed.band = counted_calls.band
)

select * from final
order by unit_id, measure, band
