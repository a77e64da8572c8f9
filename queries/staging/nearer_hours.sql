-- Of observations of one station and hour in several files the nearest to the full hour is kept.
create or replace temp table standing as
with least as (
    select
        station_id,
        hour,
        kind,
        min(away_s) as away_s
    from standing
    where outcome = 'kept'
    group by station_id, hour, kind
)

select
    standing.* exclude (outcome),
    case when standing.outcome = 'kept' and standing.away_s > least.away_s then 'farther' else standing.outcome end as outcome
from standing
left join least
    on
        least.station_id = standing.station_id
        and least.hour = standing.hour
        and least.kind = standing.kind
