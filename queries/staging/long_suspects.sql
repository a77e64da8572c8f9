-- Records of groups that are not sound, one by one, with what can be said of each. Grain: record.
create or replace temp table suspect_cells as
with cells as (
    select
        record,
        fault,
        ${unit} as unit_text,
        ${circuit} as circuit_text,
        ${time} as time_text,
        ${channel} as channel_text,
        ${unit_written} as unit_written,
        ${value} as value_text
    from ${relation}
),

slotted as (
    select
        *,
        ${local_in_form} as local_at,
        cast(${slot} as utinyint) as slot
    from cells
),

timed_cells as (
    select
        *,
        case when local_at is null then time_text end as odd_time
    from slotted
)

select
    *,
    ${number} as number
from timed_cells
where
    fault is not null
    or slot is null
    or exists (
        select 1
        from unsound
        where
            unsound.unit_text is not distinct from timed_cells.unit_text
            and unsound.circuit_text is not distinct from timed_cells.circuit_text
            and unsound.local_at is not distinct from timed_cells.local_at
            and unsound.odd_time is not distinct from timed_cells.odd_time
    );

create or replace temp table suspect_values as
with located as (
    select
        texts.*,
        ${local} as local_time
    from suspect_cells as texts
)

select
    texts.record,
    places.meant as unit_id,
    ${circuit_value} as circuit,
    ${channel_fed} as channel,
    ${converted} as value,
    texts.local_time as local_at,
    ${instant} as first_at,
    ${second_instant} as second_at,
    ${ambiguous} as ambiguous,
    ${hour_from} as hour_from
from located as texts
left join places on places.written = cell_text(texts.unit_text);

create or replace temp view located_records as
select
    record,
    concat_ws(chr(31), unit_id, circuit, channel) as series,
    local_at
from suspect_values;

create or replace temp table ambiguous_records as
select
    located_records.*,
    suspect_values.hour_from
from located_records
inner join suspect_values on suspect_values.record = located_records.record
where suspect_values.ambiguous
