-- Suspect records of a long file: refused ones with their reasons, exact repeats, and where the others belong.
-- Grain of each table: record.
create or replace temp table exact_instants as
select
    suspect_values.record,
    suspect_values.unit_id,
    suspect_values.circuit,
    suspect_values.channel,
    suspect_values.value,
    case when folds.fold = 1 then suspect_values.second_at else suspect_values.first_at end as exact_at,
    off_grid.reference,
    off_grid.interval_s
from suspect_values
left join folds on folds.record = suspect_values.record
left join off_grid
    on
        off_grid.unit_id = suspect_values.unit_id
        and off_grid.circuit is not distinct from suspect_values.circuit;

create or replace temp table rounds as
select distinct
    unit_id,
    coalesce(circuit, '') as circuit,
    exact_at as round_at
from exact_instants
where channel = reference and exact_at is not null;

create or replace temp table suspects as
with neighbours as (
    select
        exact_instants.*,
        case
            when earlier.round_at is null then later.round_at
            when later.round_at is null then earlier.round_at
            when exact_instants.exact_at - earlier.round_at <= later.round_at - exact_instants.exact_at
                then earlier.round_at
            else later.round_at
        end as round_at
    from exact_instants
    asof left join rounds as earlier
        on
            earlier.unit_id = exact_instants.unit_id
            and earlier.circuit = coalesce(exact_instants.circuit, '')
            and earlier.round_at <= exact_instants.exact_at
    asof left join rounds as later
        on
            later.unit_id = exact_instants.unit_id
            and later.circuit = coalesce(exact_instants.circuit, '')
            and later.round_at >= exact_instants.exact_at
),

nearest as (
    select
        *,
        abs(epoch(round_at) - epoch(exact_at)) <= interval_s / 2
        and exact_at = first_value(exact_at) over (
            partition by unit_id, circuit, channel, round_at
            order by abs(epoch(round_at) - epoch(exact_at)), exact_at
        ) as joins_round
    from neighbours
)

select
    record,
    unit_id,
    circuit,
    channel,
    value,
    case when joins_round then round_at else exact_at end as read_at,
    coalesce(value is not null and case channel ${in_range} end, false) as in_range
from nearest;

create or replace temp table refused as
with bad as (
    select *
    from suspects
    where
        suspects.unit_id is null
        or coalesce(not ${in_time}, true)
        or not suspects.in_range
        or exists (select 1 from suspect_cells where suspect_cells.record = suspects.record and fault is not null)
)

select
    suspects.record,
    case when texts.fault is not null then texts.fault else concat_ws(
        '; ',
        case
            when cell_text(texts.unit_text) is null then 'unit_id is empty'
            when suspects.unit_id is null then coalesce(places.reason, 'id not matched')
        end,
        case
            when cell_value(texts.time_text, ${missing}) is null then 'read_at is empty'
            when coalesce(not ${in_time}, true)
                then 'read_at: ' || chr(34) || left(cell_text(texts.time_text), 80) || chr(34)
                    || ' is no date in the form of this file, or an hour that the clocks skipped'
        end,
        case
            when cell_text(texts.channel_text) is null then 'channel is empty'
            when not list_contains(${known_channels}, cell_text(texts.channel_text))
                then 'channel ' || chr(34) || left(cell_text(texts.channel_text), 80) || chr(34)
                    || ' is not among the channels of the profile'
            when suspects.channel is null and cell_text(texts.unit_written) is null then 'value_unit is empty'
            when suspects.channel is null
                then 'value_unit: ' || chr(34) || left(cell_text(texts.unit_written), 80) || chr(34)
                    || ' is not a unit that tells how to read the channel'
            when cell_value(texts.value_text, ${missing}) is null then 'value is empty'
            when suspects.value is null
                then 'value: ' || chr(34) || left(cell_text(texts.value_text), 80) || chr(34) || ' cannot be read'
            when not suspects.in_range
                then 'value: ' || chr(34) || left(cell_text(texts.value_text), 80) || chr(34)
                    || ' is not plausible for its channel'
        end
    ) end as reason
from bad as suspects
inner join suspect_cells as texts on texts.record = suspects.record
left join places on places.written = cell_text(texts.unit_text);

create or replace temp table long_doubles as
with candidate as (
    select *
    from suspects
    where not exists (select 1 from refused where refused.record = suspects.record)
)

select
    record,
    min(record) over (partition by unit_id, circuit, read_at, channel, value) as first_alike,
    min(value) over one_cell <> max(value) over one_cell as differs,
    value = last_value(value) over one_cell as is_latest
from candidate
window
    one_cell as (
        partition by unit_id, circuit, read_at, channel
        order by record rows between unbounded preceding and unbounded following
    );

create or replace temp table repeats as
select
    record,
    first_alike as repeats
from long_doubles
where record <> first_alike;

insert into refused
select
    record,
    case
        when ${replaces} then 'replaced by a later record under the same key'
        else
            'conflict: another record of this file has the same unit, circuit, instant and channel and another value'
    end as reason
from long_doubles
where differs and record = first_alike and not (${replaces} and is_latest)
