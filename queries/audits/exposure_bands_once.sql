-- Bands of exposure that occur twice, overlap the next or leave their rate outside its interval; it must be empty.
with placed as (
    select
        exposure.*,
        count(*) over (partition by exposure.measure, exposure.lower_c) as rows_found,
        lead(exposure.lower_c) over (partition by exposure.measure order by exposure.lower_c) as next_lower_c
    from exposure
)

select
    measure,
    lower_c,
    upper_c,
    next_lower_c,
    rows_found,
    rate_per_1000_h,
    lower,
    upper
from placed
where
    rows_found > 1
    or upper_c <= lower_c
    or next_lower_c < upper_c - 0.001
    or rate_per_1000_h < lower
    or rate_per_1000_h > upper
order by measure, lower_c
