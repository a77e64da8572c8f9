-- Suspect records of a long file: refused ones with their reasons, exact repeats, and where the others belong.
-- Grain of each table: record.
create or replace temp table suspects as
with instants as (
    select
        suspect_values.*,
        case when folds.fold = 1 then suspect_values.second_at else suspect_values.first_at end as exact_at
    from suspect_values
    left join folds on folds.record = suspect_values.record
)

select
    instants.*,
    coalesce(
        epoch_ms(
            1000 * (
                off_grid.phase_s
                + off_grid.interval_s
                * cast(round((epoch(instants.exact_at) - off_grid.phase_s) / off_grid.interval_s) as bigint)
            )
        ),
        instants.exact_at
    ) as read_at,
    coalesce(${value_in_range}, false) as in_range
from instants
left join off_grid
    on
        off_grid.unit_id = instants.unit_id
        and off_grid.circuit is not distinct from instants.circuit;

create or replace temp table refused as
with judged as (
    select
        record,
        case when fault is not null then fault else concat_ws(
            '; ',
            case
                when cell_text(unit_text) is null then 'unit_id is empty'
                when unit_id is null then unit_reason
            end,
            case
                when cell_text(time_text) is null then 'read_at is empty'
                when read_at is null or read_at not between timestamp '1950-01-01' and timestamp '2100-01-01'
                    then 'read_at: ' || chr(34) || left(time_text, 80) || chr(34)
                        || ' is no date in the form of this file, or an hour that the clocks skipped'
            end,
            case
                when channel_text is null then 'channel is empty'
                when channel_no is null
                    then 'channel ' || chr(34) || left(channel_text, 80) || chr(34)
                        || ' is not among the channels of the profile'
                when value_text is null then 'value is empty'
                when value is null then 'value: ' || chr(34) || left(value_text, 80) || chr(34) || ' cannot be read'
                when not in_range
                    then 'value: ' || chr(34) || left(value_text, 80) || chr(34) || ' is not plausible for its channel'
            end
        ) end as reason
    from suspects
)

select
    record,
    reason
from judged
where reason <> '';

insert into refused
with candidate as (
    select
        record,
        exact_at,
        first_value(exact_at) over (
            partition by unit_id, circuit, read_at, channel_no
            order by abs(epoch(read_at) - epoch(exact_at)), exact_at, record
        ) as nearest_at
    from suspects
    where not exists (select 1 from refused where refused.record = suspects.record)
)

select
    record,
    'another reading of the channel is nearer to the common instant it is aligned to' as reason
from candidate
where exact_at <> nearest_at;

create or replace temp table long_doubles as
with candidate as (
    select *
    from suspects
    where not exists (select 1 from refused where refused.record = suspects.record)
)

select
    record,
    min(record) over (partition by unit_id, circuit, read_at, channel_no, value) as first_alike,
    min(value) over one_cell <> max(value) over one_cell as differs
from candidate
window one_cell as (partition by unit_id, circuit, read_at, channel_no);

create or replace temp table repeats as
select
    record,
    first_alike as repeats
from long_doubles
where record <> first_alike;

insert into refused
select
    record,
    'conflict: another record of this file has the same unit, circuit, instant and channel and another value' as reason
from long_doubles
where differs and record = first_alike
