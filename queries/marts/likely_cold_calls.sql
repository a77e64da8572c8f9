-- Complaints that were likely cold lockouts, as judged from all records (cold_call_counts_from): what forecasts are held against.
-- Grain: complaint. winter: as in months.
with setting as (
    select max(case when name = 'cold_call_counts_from' then value end) as counts_from
    from thresholds
)

select
    call_causes.call_id,
    flag_calls.unit_id,
    months.winter
from call_causes
inner join flag_calls on call_causes.call_id = flag_calls.call_id
inner join months on date_trunc('month', flag_calls.opened_at) = months.month
cross join setting
where round(call_causes.cold_probability, 3) >= setting.counts_from
order by call_causes.call_id
