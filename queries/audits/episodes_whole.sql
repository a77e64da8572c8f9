-- Episodes that are not made of the calls they should be: first call missing, calls not adding up, or a call more than
-- episode_days after the first; it must be empty.
with setting as (
    select max(case when name = 'episode_days' then value end) as episode_days
    from thresholds
),

gathered as (
    select
        episode_id,
        sum(case when is_duplicate then 0 else 1 end) as calls,
        max(case when call_id = episode_id then opened_at end) as first_opened_at,
        min(opened_at) as earliest_at,
        max(opened_at) as latest_at
    from low_pressure_calls
    group by episode_id
)

select
    coalesce(gathered.episode_id, episodes.episode_id) as episode_id,
    gathered.calls,
    episodes.calls as calls_shown,
    gathered.earliest_at,
    gathered.latest_at,
    episodes.first_opened_at
from gathered
full outer join episodes on gathered.episode_id = episodes.episode_id
cross join setting
where
    coalesce(gathered.calls, -1) <> coalesce(episodes.calls, -1)
    or gathered.first_opened_at is null
    or gathered.earliest_at <> episodes.first_opened_at
    or gathered.latest_at > gathered.first_opened_at + setting.episode_days * interval 1 day
order by episode_id
