-- Calls and episodes of each unit by symptom and band of outdoor temperature, on both measures of it.
-- Grain: unit, measure, symptom, band, where there is any. measure, band: as in unit_bands; calls: opened in such hours, in
-- service; episodes: those that opened one. An episode is a first call and every call of the same symptom on the unit within
-- episode_days of it. For low-pressure trips both are those of low_pressure_calls, so that they add up to `exposure`.
with recursive setting as (
    select max(case when name = 'episode_days' then value end) as episode_days
    from thresholds
),

placed as (
    select
        call_id,
        unit_id,
        symptom,
        opened_at,
        row_number() over (partition by unit_id, symptom order by opened_at, call_id) as place
    from service_calls
    where symptom <> 'low-pressure trip'
),

-- the first later call of its kind that is too late to belong to an episode opened by this one
later as (
    select
        earlier.unit_id,
        earlier.symptom,
        earlier.place,
        min(following.place) as next_place
    from placed as earlier
    cross join setting
    inner join placed as following
        on
            earlier.unit_id = following.unit_id
            and earlier.symptom = following.symptom
            and following.opened_at > earlier.opened_at + setting.episode_days * interval 1 day
    group by earlier.unit_id, earlier.symptom, earlier.place
),

openings as (
    select
        unit_id,
        symptom,
        place
    from placed
    where place = 1
    union all
    select
        later.unit_id,
        later.symptom,
        later.next_place as place
    from openings
    inner join later
        on openings.unit_id = later.unit_id and openings.symptom = later.symptom and openings.place = later.place
),

told as (
    select
        placed.call_id,
        placed.symptom,
        1 as calls,
        case when openings.place is null then 0 else 1 end as episodes
    from placed
    left join openings
        on
            placed.unit_id = openings.unit_id
            and placed.symptom = openings.symptom
            and placed.place = openings.place
    union all
    select
        call_id,
        'low-pressure trip' as symptom,
        case when is_duplicate then 0 else 1 end as calls,
        case when call_id = episode_id then 1 else 0 end as episodes
    from low_pressure_calls
),

opened as (
    select
        call_weather.unit_id,
        call_weather.band_at_opening,
        call_weather.band_coldest,
        told.symptom,
        told.calls,
        told.episodes
    from told
    inner join call_weather on told.call_id = call_weather.call_id
    where call_weather.in_service
),

banded as (
    select
        unit_id,
        'at opening' as measure,
        symptom,
        band_at_opening as band,
        calls,
        episodes
    from opened
    union all
    select
        unit_id,
        'coldest demand hour' as measure,
        symptom,
        band_coldest as band,
        calls,
        episodes
    from opened
),

final as (
    select
        unit_id,
        measure,
        symptom,
        band,
        cast(sum(calls) as bigint) as calls,
        cast(sum(episodes) as bigint) as episodes
    from banded
    where band is not null
    group by unit_id, measure, symptom, band
)

select * from final
order by unit_id, measure, symptom, band
