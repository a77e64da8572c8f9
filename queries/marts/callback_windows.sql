-- What became of each call, on both clocks, for any length of recall window.
-- Grain: index call. watched_d: days from its end until its unit was no longer watched [d]; callback_after_d: days from its
-- end to the first call that comes back from it (same or a related symptom), any_after_d: whatever the symptom, and
-- return_after_d: to the first return visit that it ordered, each null where none came while watched [d];
-- cold_watched_h, cold_after_h: the same in cold hours of the unit [h], null for calls that are not on that clock;
-- censored: watched for less than recall_window_days and no callback until then; cold_censored: likewise with
-- recall_cold_hours; is_callback: it comes back itself from an earlier one. The rest describe the call and its unit:
-- band_from_c, band_to_c: band of the outdoor temperature it was opened in [degC].
-- A callback is charged to the latest earlier call it can come from, to that one only.
with setting as (
    select
        max(case when name = 'recall_window_days' then value end) as window_d,
        max(case when name = 'recall_cold_hours' then value end) as window_h,
        max(case when name = 'band_width_k' then value end) as width_k
    from thresholds
),

firsts as (
    select
        question,
        earlier_call_id as call_id,
        min(opened_at) as opened_at
    from earlier_calls
    where question <> 'cold'
    group by question, earlier_call_id
),

cold_firsts as (
    select
        earlier_calls.earlier_call_id as call_id,
        min(cold_clock.opened_h) as opened_h
    from earlier_calls
    inner join cold_clock on earlier_calls.call_id = cold_clock.call_id
    inner join watched_calls on earlier_calls.earlier_call_id = watched_calls.call_id
    where earlier_calls.question = 'cold' and earlier_calls.opened_at <= watched_calls.watched_to
    group by earlier_calls.earlier_call_id
),

visits as (
    select
        unit_id,
        opened_at,
        number,
        0 as ordered
    from service_calls
    union all
    select
        unit_id,
        opened_at,
        null as number,
        1 as ordered
    from in_calls
    where work_type = 'return' and coalesce(status, 'completed') <> 'cancelled'
),

-- a return belongs to the last service call before it
placed as (
    select
        opened_at,
        ordered,
        max(number) over (
            partition by unit_id order by opened_at, ordered rows between unbounded preceding and current row
        ) as number
    from visits
),

first_returns as (
    select
        number,
        min(opened_at) as opened_at
    from placed
    where ordered = 1
    group by number
),

instants as (
    select
        service_calls.*,
        watched_calls.watched_to,
        related.opened_at as callback_at,
        whatever.opened_at as any_at,
        first_returns.opened_at as return_at
    from service_calls
    inner join watched_calls on service_calls.call_id = watched_calls.call_id
    left join firsts as related on service_calls.call_id = related.call_id and related.question = 'related'
    left join firsts as whatever on service_calls.call_id = whatever.call_id and whatever.question = 'any'
    left join first_returns on service_calls.number = first_returns.number
),

measured as (
    select
        instants.call_id,
        instants.unit_id,
        instants.opened_at,
        instants.symptom,
        instants.technician,
        instants.work,
        date_diff('microsecond', instants.ended_at, instants.watched_to) / 86400000000.0 as watched_d,
        case
            when instants.callback_at <= instants.watched_to
                then date_diff('microsecond', instants.ended_at, instants.callback_at) / 86400000000.0
        end as callback_after_d,
        case
            when instants.any_at <= instants.watched_to
                then date_diff('microsecond', instants.ended_at, instants.any_at) / 86400000000.0
        end as any_after_d,
        case
            when instants.return_at <= instants.watched_to
                then date_diff('microsecond', instants.ended_at, instants.return_at) / 86400000000.0
        end as return_after_d,
        case when cold_clock.begins then cold_clock.watched_h - cold_clock.ended_h end as cold_watched_h,
        case when cold_clock.begins then cold_firsts.opened_h - cold_clock.ended_h end as cold_after_h
    from instants
    left join cold_clock on instants.call_id = cold_clock.call_id
    left join cold_firsts on instants.call_id = cold_firsts.call_id
),

final as (
    select
        measured.call_id,
        measured.unit_id,
        in_units.site_id,
        in_units.duty,
        measured.opened_at,
        measured.symptom,
        measured.technician,
        measured.work,
        round(10 + call_weather.band_at_opening * setting.width_k, 4) as band_from_c,
        round(10 + (call_weather.band_at_opening + 1) * setting.width_k, 4) as band_to_c,
        measured.watched_d,
        measured.callback_after_d,
        measured.any_after_d,
        measured.return_after_d,
        measured.cold_watched_h,
        measured.cold_after_h,
        measured.watched_d < setting.window_d and not coalesce(measured.callback_after_d <= setting.window_d, false)
            as censored,
        measured.cold_watched_h < setting.window_h and not coalesce(measured.cold_after_h <= setting.window_h, false)
            as cold_censored,
        callbacks.callback_of is not null as is_callback,
        callbacks.is_cold_callback
    from measured
    inner join in_units on measured.unit_id = in_units.unit_id
    inner join call_weather on measured.call_id = call_weather.call_id
    inner join callbacks on measured.call_id = callbacks.call_id
    cross join setting
)

select * from final
order by call_id
