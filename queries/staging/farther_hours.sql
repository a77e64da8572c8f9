-- Refuses observations that another one of the same file, station and hour is nearer to the full hour than.
insert into refused
with observed as (
    select
        typed.record,
        typed.station_id,
        typed.hour,
        abs(date_diff('second', typed.hour, ${exact})) as distance_s
    from typed
    inner join texts on texts.record = typed.record
    left join places on false
    where typed.record not in (select record from refused)
),

ranked as (
    select
        record,
        distance_s,
        min(distance_s) over (partition by station_id, hour) as least_s
    from observed
)

select
    record,
    'another observation is nearer to the hour' as reason
from ranked
where distance_s > least_s
