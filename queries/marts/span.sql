-- The stretch of time that the calls export covers, whole UTC days, from the first to the last call opened.
-- Grain: one row. from_hour: first hour [UTC]; to_hour: first hour after the last day [UTC]; both null without calls.
with final as (
    select
        date_trunc('day', min(opened_at)) as from_hour,
        date_trunc('day', max(opened_at)) + interval 1 day as to_hour
    from in_calls
)

select * from final
order by from_hour
