-- Winters that the forecast is held against: half a year of calls lies before them, and of the winter itself as many months
-- as make it done (winter_done_months). Grain: winter. winter_from, winter_to: its first hour and that of the next [UTC].
with setting as (
    select cast(max(case when name = 'winter_done_months' then value end) as integer) as done_months
    from thresholds
)

select distinct
    months.winter,
    months.winter_from,
    months.winter_to
from months
cross join setting
cross join span
where
    months.winter_from >= span.from_hour + interval 6 month
    and months.winter_from + setting.done_months * interval 1 month <= span.to_hour
order by months.winter
