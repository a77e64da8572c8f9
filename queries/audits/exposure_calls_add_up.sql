-- Measures in which banded calls and those left out with a reason are not all low-pressure calls, or the same for episodes; it
-- must be empty.
with measures as (
    select 'at opening' as measure
    union all
    select 'coldest demand hour' as measure
),

every as (
    select
        coalesce(sum(case when is_duplicate then 0 else 1 end), 0) as calls,
        coalesce(sum(case when call_id = episode_id then 1 else 0 end), 0) as episodes
    from low_pressure_calls
),

parts as (
    select
        measure,
        calls,
        episodes
    from exposure
    union all
    select
        measure,
        calls,
        episodes
    from exposure_left_out
),

placed as (
    select
        measure,
        sum(calls) as calls,
        sum(episodes) as episodes
    from parts
    group by measure
)

select
    measures.measure,
    every.calls,
    every.episodes,
    coalesce(placed.calls, 0) as placed_calls,
    coalesce(placed.episodes, 0) as placed_episodes
from measures
cross join every
left join placed on measures.measure = placed.measure
where every.calls <> coalesce(placed.calls, 0) or every.episodes <> coalesce(placed.episodes, 0)
order by measures.measure
