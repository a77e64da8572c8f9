-- Hours in service of each unit and winter, and how many of them were cold for it.
-- Grain: unit, winter. service_hours: in service; gap_hours: of these without weather; demand_hours: with weather and
-- possible cooling demand; cold_hours: of these below the starve ambient; reset_cold_hours: of these also below the
-- outdoor temperature under which a tripped switch cannot reset, null where that is not known [h].
with classes as (
    select distinct
        cold_class,
        station_id,
        served_from,
        served_to,
        demand_from_c,
        starve_ambient_c,
        reset_cold_below_c
    from exposure_classes
    where served_from < served_to
),

-- by month, because whole months are shared by classes that differ in service dates
class_months as (
    select
        classes.cold_class,
        classes.station_id,
        classes.demand_from_c,
        classes.starve_ambient_c,
        classes.reset_cold_below_c,
        months.month,
        months.winter,
        greatest(classes.served_from, months.month) as from_hour,
        least(classes.served_to, months.next_month) as to_hour
    from classes
    inner join months on classes.served_from < months.next_month and classes.served_to > months.month
),

stretches as (
    select distinct
        station_id,
        demand_from_c,
        starve_ambient_c,
        reset_cold_below_c,
        month,
        from_hour,
        to_hour
    from class_months
),

weather as (
    select
        station_id,
        date_trunc('month', hour) as month,
        hour,
        temperature_c
    from weather_hours
),

counted as (
    select
        stretches.station_id,
        stretches.from_hour,
        stretches.to_hour,
        stretches.demand_from_c,
        stretches.starve_ambient_c,
        stretches.reset_cold_below_c,
        count(*) as weather_hours,
        sum(case when weather.temperature_c >= stretches.demand_from_c then 1 else 0 end) as demand_hours,
        sum(
            case
                when
                    weather.temperature_c >= stretches.demand_from_c
                    and weather.temperature_c < stretches.starve_ambient_c
                    then 1
                else 0
            end
        ) as cold_hours,
        sum(
            case
                when
                    weather.temperature_c >= stretches.demand_from_c
                    and weather.temperature_c < stretches.starve_ambient_c
                    and weather.temperature_c < stretches.reset_cold_below_c
                    then 1
                else 0
            end
        ) as reset_cold_hours
    from stretches
    inner join weather
        on
            stretches.station_id = weather.station_id
            and stretches.month = weather.month
            and stretches.from_hour <= weather.hour
            and stretches.to_hour > weather.hour
    group by
        stretches.station_id, stretches.from_hour, stretches.to_hour,
        stretches.demand_from_c, stretches.starve_ambient_c, stretches.reset_cold_below_c
),

class_winters as (
    select
        class_months.cold_class,
        class_months.winter,
        sum(date_diff('hour', class_months.from_hour, class_months.to_hour)) as service_hours,
        sum(coalesce(counted.weather_hours, 0)) as weather_hours,
        sum(coalesce(counted.demand_hours, 0)) as demand_hours,
        sum(coalesce(counted.cold_hours, 0)) as cold_hours,
        sum(coalesce(counted.reset_cold_hours, 0)) as reset_cold_hours
    from class_months
    left join counted
        on
            class_months.station_id = counted.station_id
            and class_months.from_hour = counted.from_hour
            and class_months.to_hour = counted.to_hour
            and class_months.demand_from_c = counted.demand_from_c
            and class_months.starve_ambient_c = counted.starve_ambient_c
            and class_months.reset_cold_below_c = counted.reset_cold_below_c
    group by class_months.cold_class, class_months.winter
),

final as (
    select
        exposure_classes.unit_id,
        class_winters.winter,
        cast(class_winters.service_hours as bigint) as service_hours,
        cast(class_winters.demand_hours as bigint) as demand_hours,
        cast(class_winters.cold_hours as bigint) as cold_hours,
        cast(
            case when exposure_classes.reset_cold_below_c > -273.15 then class_winters.reset_cold_hours end as bigint
        ) as reset_cold_hours,
        cast(class_winters.service_hours - class_winters.weather_hours as bigint) as gap_hours
    from exposure_classes
    inner join class_winters on exposure_classes.cold_class = class_winters.cold_class
)

select * from final
order by unit_id, winter
