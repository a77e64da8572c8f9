-- Calendar months that calls or observed weather touch, and the winter each belongs to.
-- Grain: month. month, next_month: first hours of this month and the next [UTC]; winter: '2016/17' (or '2016' where
-- a winter is a calendar year); winter_from, winter_to: first hours of this winter and of the next [UTC].
with setting as (
    select cast(max(case when name = 'winter_starts_month' then value end) as integer) as starts_month
    from thresholds
),

digits (digit) as (
    values (0), (1), (2), (3), (4), (5), (6), (7), (8), (9)
),

instants as (
    select
        from_hour as first_hour,
        to_hour - interval 1 hour as last_hour
    from span
    union all
    select
        min(hour) as first_hour,
        max(hour) as last_hour
    from weather_hours
),

bounds as (
    select
        date_trunc('month', min(first_hour)) as first_month,
        max(last_hour) as last_hour
    from instants
),

-- up to 10,000 months, counted from digits because series functions differ between engines
numbered as (
    select
        bounds.first_month
        + (1000 * thousands.digit + 100 * hundreds.digit + 10 * tens.digit + ones.digit) * interval 1 month as month,
        bounds.last_hour
    from bounds
    cross join digits as thousands
    cross join digits as hundreds
    cross join digits as tens
    cross join digits as ones
),

placed as (
    select
        numbered.month,
        setting.starts_month,
        extract(year from numbered.month)
        - case when extract(month from numbered.month) < setting.starts_month then 1 else 0 end as start_year,
        (extract(month from numbered.month) - setting.starts_month + 12) % 12 as months_in
    from numbered
    cross join setting
    where numbered.month <= numbered.last_hour
),

final as (
    select
        month,
        month + interval 1 month as next_month,
        concat(
            cast(start_year as varchar),
            case when starts_month = 1 then '' else concat('/', substr(cast(start_year + 1 as varchar), 3, 2)) end
        ) as winter,
        month - months_in * interval 1 month as winter_from,
        month + (12 - months_in) * interval 1 month as winter_to
    from placed
)

select * from final
order by month
