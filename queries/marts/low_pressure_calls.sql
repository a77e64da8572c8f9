-- Service calls whose words tell of a low-pressure trip or lockout, gathered into episodes.
-- Grain: call. hour: UTC hour in which it was opened; is_duplicate: another ticket for the same complaint (opened within
-- duplicate_ticket_hours of the one before, or before that one was closed); episode_id: the call that opened the episode.
-- Cancelled calls, planned work, returns and quotes are not in it; a call without work type counts as service.
-- An episode is a first call and every call on the unit within episode_days of it; the next call opens another.
with recursive setting as (
    select
        max(case when name = 'duplicate_ticket_hours' then value end) as duplicate_h,
        max(case when name = 'episode_days' then value end) as episode_days
    from thresholds
),

tickets as (
    select
        in_calls.call_id,
        in_calls.unit_id,
        in_calls.opened_at,
        in_calls.closed_at,
        row_number() over (partition by in_calls.unit_id order by in_calls.opened_at, in_calls.call_id) as place,
        lag(in_calls.opened_at) over (partition by in_calls.unit_id order by in_calls.opened_at, in_calls.call_id)
            as last_opened_at,
        lag(in_calls.closed_at) over (partition by in_calls.unit_id order by in_calls.opened_at, in_calls.call_id)
            as last_closed_at
    from in_calls
    inner join call_symptoms on in_calls.call_id = call_symptoms.call_id
    where
        call_symptoms.symptom = 'low-pressure trip'
        and coalesce(in_calls.work_type, 'service') = 'service'
        and coalesce(in_calls.status, 'completed') <> 'cancelled'
),

-- the first later ticket on the unit that is too late to belong to an episode opened by this one
later as (
    select
        earlier.unit_id,
        earlier.place,
        min(following.place) as next_place
    from tickets as earlier
    cross join setting
    inner join tickets as following
        on
            earlier.unit_id = following.unit_id
            and following.opened_at > earlier.opened_at + setting.episode_days * interval 1 day
    group by earlier.unit_id, earlier.place
),

openings as (
    select
        unit_id,
        place
    from tickets
    where place = 1
    union all
    select
        later.unit_id,
        later.next_place as place
    from openings
    inner join later on openings.unit_id = later.unit_id and openings.place = later.place
),

numbered as (
    select
        tickets.*,
        max(openings.place) over (
            partition by tickets.unit_id order by tickets.place rows between unbounded preceding and current row
        ) as opening_place
    from tickets
    left join openings on tickets.unit_id = openings.unit_id and tickets.place = openings.place
),

final as (
    select
        numbered.call_id,
        numbered.unit_id,
        numbered.opened_at,
        date_trunc('hour', numbered.opened_at) as hour,
        first_call.call_id as episode_id,
        numbered.place > numbered.opening_place and (
            numbered.opened_at <= numbered.last_opened_at + setting.duplicate_h * interval 1 hour
            or numbered.opened_at < coalesce(numbered.last_closed_at, numbered.last_opened_at)
        ) as is_duplicate
    from numbered
    inner join tickets as first_call
        on numbered.unit_id = first_call.unit_id and numbered.opening_place = first_call.place
    cross join setting
)

select * from final
order by call_id
