-- Which of the two passes through a repeated hour each record belongs to, by file order within its series: the second
-- pass begins where time turns against the way the file runs, or stands still. Grain: record.
create or replace temp table folds as
with stepped as (
    select
        ambiguous_records.record,
        ambiguous_records.series,
        ambiguous_records.hour_from,
        coalesce(directions.direction, 0) as direction,
        date_diff('second', lag(ambiguous_records.local_at) over one_hour, ambiguous_records.local_at) as step_s
    from ambiguous_records
    left join directions on directions.series = ambiguous_records.series
    window
        one_hour as (
            partition by ambiguous_records.series, ambiguous_records.hour_from
            order by ambiguous_records.record
        )
),

directed as (
    select
        record,
        series,
        hour_from,
        step_s,
        case
            when direction <> 0 then direction
            when sum(sign(step_s)) over whole_hour < 0 then -1
            else 1
        end as direction,
        max(abs(step_s)) over whole_hour = 0 as stands_still
    from stepped
    window whole_hour as (partition by series, hour_from)
),

turned as (
    select
        record,
        direction,
        max(case when step_s * direction < 0 or (stands_still and step_s = 0) then 1 else 0 end) over (
            partition by series, hour_from
            order by record rows between unbounded preceding and current row
        ) as later_pass,
        max(case when step_s * direction < 0 or (stands_still and step_s = 0) then 1 else 0 end) over (
            partition by series, hour_from
        ) as any_turn
    from directed
)

select
    record,
    case
        when any_turn = 0 then 0
        when direction < 0 then 1 - later_pass
        else later_pass
    end as fold
from turned
