-- Cold hours that a winter of the unit's station brings it, in service or not, and how much winters differ.
-- Grain: unit. basis: 'observed winters' (mean of those with at least winter_whole_fraction of their hours, each scaled
-- to its full length), else 'typical year' (TMY3 or EPW), else 'part winters' (month by month over what was observed;
-- a month never observed adds nothing), null without weather; cold_hours_typical [h]; winters: whole observed winters;
-- spread_cv: standard deviation over mean of cold hours from winter to winter [-]; spread_borrowed: too few winters (or
-- none with cold hours) to show it, so that winter_spread_cv is taken.
with setting as (
    select
        max(case when name = 'winter_whole_fraction' then value end) as whole_fraction,
        max(case when name = 'winters_for_own_spread' then value end) as own_spread_winters,
        max(case when name = 'winter_spread_cv' then value end) as borrowed_cv
    from thresholds
),

classes as (
    select distinct
        unit_station.station_id,
        coalesce(unit_limits.demand_from_c, -273.15) as demand_from_c,
        unit_limits.starve_ambient_c
    from unit_station
    inner join unit_limits on unit_station.unit_id = unit_limits.unit_id
    where unit_station.station_id is not null
),

-- temperatures repeat: counting them first makes the join with the limits several times smaller
counts as (
    select
        station_id,
        date_trunc('month', hour) as month,
        temperature_c,
        count(*) as hours
    from weather_hours
    group by station_id, date_trunc('month', hour), temperature_c
),

class_months as (
    select
        classes.station_id,
        classes.demand_from_c,
        classes.starve_ambient_c,
        counts.month,
        sum(counts.hours) as observed_hours,
        sum(
            case
                when
                    counts.temperature_c >= classes.demand_from_c
                    and counts.temperature_c < classes.starve_ambient_c
                    then counts.hours
                else 0
            end
        ) as cold_hours
    from classes
    inner join counts on classes.station_id = counts.station_id
    group by classes.station_id, classes.demand_from_c, classes.starve_ambient_c, counts.month
),

class_winters as (
    select
        class_months.station_id,
        class_months.demand_from_c,
        class_months.starve_ambient_c,
        months.winter,
        date_diff('hour', months.winter_from, months.winter_to) as winter_hours,
        sum(class_months.observed_hours) as observed_hours,
        sum(class_months.cold_hours) as cold_hours
    from class_months
    inner join months on class_months.month = months.month
    group by
        class_months.station_id, class_months.demand_from_c, class_months.starve_ambient_c,
        months.winter, months.winter_from, months.winter_to
),

whole_winters as (
    select
        class_winters.*,
        class_winters.cold_hours * 1.0 * class_winters.winter_hours / class_winters.observed_hours as scaled_hours
    from class_winters
    cross join setting
    where class_winters.observed_hours >= setting.whole_fraction * class_winters.winter_hours
),

centred as (
    select
        whole_winters.*,
        avg(whole_winters.scaled_hours)
            over (partition by whole_winters.station_id, whole_winters.demand_from_c, whole_winters.starve_ambient_c)
            as mean_hours
    from whole_winters
),

by_winters as (
    select
        station_id,
        demand_from_c,
        starve_ambient_c,
        count(*) as winters,
        max(mean_hours) as mean_hours,
        case
            when count(*) > 1 and max(mean_hours) > 0
                then sqrt(sum(pow(scaled_hours - mean_hours, 2)) / (count(*) - 1)) / max(mean_hours)
        end as own_cv
    from centred
    group by station_id, demand_from_c, starve_ambient_c
),

calendar_months as (
    select
        class_months.station_id,
        class_months.demand_from_c,
        class_months.starve_ambient_c,
        extract(month from class_months.month) as calendar_month,
        avg(date_diff('hour', months.month, months.next_month))
        * sum(class_months.cold_hours) / sum(class_months.observed_hours) as mean_hours
    from class_months
    inner join months on class_months.month = months.month
    group by
        class_months.station_id, class_months.demand_from_c, class_months.starve_ambient_c,
        extract(month from class_months.month)
),

by_months as (
    select
        station_id,
        demand_from_c,
        starve_ambient_c,
        sum(mean_hours) as mean_hours
    from calendar_months
    group by station_id, demand_from_c, starve_ambient_c
),

typical_counts as (
    select
        station_id,
        round(temperature_c, 3) as temperature_c,
        count(*) as hours
    from in_weather
    where kind = 'typical'
    group by station_id, round(temperature_c, 3)
),

typical_classes as (
    select distinct
        unit_station.typical_station_id as station_id,
        coalesce(unit_limits.demand_from_c, -273.15) as demand_from_c,
        unit_limits.starve_ambient_c
    from unit_station
    inner join unit_limits on unit_station.unit_id = unit_limits.unit_id
    where unit_station.typical_station_id is not null
),

-- 8,760 hours are a typical year; a file with far fewer is not one
by_typical_year as (
    select
        typical_classes.station_id,
        typical_classes.demand_from_c,
        typical_classes.starve_ambient_c,
        sum(typical_counts.hours) as typical_hours,
        8760.0 / sum(typical_counts.hours) * sum(
            case
                when
                    typical_counts.temperature_c >= typical_classes.demand_from_c
                    and typical_counts.temperature_c < typical_classes.starve_ambient_c
                    then typical_counts.hours
                else 0
            end
        ) as mean_hours
    from typical_classes
    inner join typical_counts on typical_classes.station_id = typical_counts.station_id
    group by typical_classes.station_id, typical_classes.demand_from_c, typical_classes.starve_ambient_c
),

bases as (
    select
        unit_station.unit_id,
        case
            when by_winters.winters is not null then 'observed winters'
            when by_typical_year.typical_hours >= setting.whole_fraction * 8760 then 'typical year'
            when by_months.mean_hours is not null then 'part winters'
        end as basis,
        by_winters.winters,
        by_winters.own_cv,
        by_winters.mean_hours as winters_hours,
        by_typical_year.mean_hours as typical_year_hours,
        by_months.mean_hours as months_hours,
        setting.own_spread_winters,
        setting.borrowed_cv
    from unit_station
    inner join unit_limits on unit_station.unit_id = unit_limits.unit_id
    cross join setting
    left join by_winters
        on
            unit_station.station_id = by_winters.station_id
            and coalesce(unit_limits.demand_from_c, -273.15) = by_winters.demand_from_c
            and unit_limits.starve_ambient_c = by_winters.starve_ambient_c
    left join by_typical_year
        on
            unit_station.typical_station_id = by_typical_year.station_id
            and coalesce(unit_limits.demand_from_c, -273.15) = by_typical_year.demand_from_c
            and unit_limits.starve_ambient_c = by_typical_year.starve_ambient_c
    left join by_months
        on
            unit_station.station_id = by_months.station_id
            and coalesce(unit_limits.demand_from_c, -273.15) = by_months.demand_from_c
            and unit_limits.starve_ambient_c = by_months.starve_ambient_c
),

final as (
    select
        unit_id,
        basis,
        round(
            case
                when basis = 'observed winters' then winters_hours
                when basis = 'typical year' then typical_year_hours
                when basis = 'part winters' then months_hours
            end,
            1
        ) as cold_hours_typical,
        coalesce(winters, 0) as winters,
        round(
            case when winters >= own_spread_winters and own_cv is not null then own_cv else borrowed_cv end, 4
        ) as spread_cv,
        not coalesce(winters >= own_spread_winters and own_cv is not null, false) as spread_borrowed
    from bases
)

select * from final
order by unit_id
