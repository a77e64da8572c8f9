-- Refuses observations that another one of the same file, station and hour is nearer to the full hour than.
insert into refused
with observed as (
    select
        typed.record,
        typed.away_s,
        min(typed.away_s) over (partition by typed.station_id, typed.hour, typed.kind) as least_s
    from typed
    where
        not exists (select 1 from refused where refused.record = typed.record)
        and not exists (select 1 from repeats where repeats.record = typed.record)
)

select
    record,
    'another observation is nearer to the full hour' as reason
from observed
where away_s > least_s
