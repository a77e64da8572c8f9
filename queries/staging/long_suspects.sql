-- Records of groups that are not sound, one by one, with what can be said of each. Grain: record.
create or replace temp table suspect_cells as
with unsound as (
    select
        unit_text,
        circuit_text,
        time_text
    from timed
    where
        not sound
        or exists (
            select 1
            from spelled_twice
            where
                spelled_twice.unit_id = timed.unit_id
                and spelled_twice.circuit is not distinct from timed.circuit
                and spelled_twice.read_at = timed.read_at
        )
        or exists (
            select 1
            from off_grid
            where
                off_grid.unit_id = timed.unit_id
                and off_grid.circuit is not distinct from timed.circuit
        )
),

keys as (
    select
        rowid as record,
        fault,
        ${unit} as unit_text,
        ${circuit} as circuit_text,
        ${time} as time_text
    from staged
),

suspect_keys as (
    select keys.*
    from keys
    where
        keys.fault is not null
        or exists (
            select 1
            from unsound
            where
                coalesce(unsound.unit_text, '') = coalesce(keys.unit_text, '')
                and coalesce(unsound.circuit_text, '') = coalesce(keys.circuit_text, '')
                and coalesce(unsound.time_text, '') = coalesce(keys.time_text, '')
        )
)

select
    suspect_keys.*,
    ${channel} as channel_text,
    ${unit_written} as unit_written,
    ${value} as value_text,
    ${number} as number
from suspect_keys
inner join staged on staged.rowid = suspect_keys.record;

create or replace temp table suspect_values as
select
    texts.record,
    texts.fault,
    texts.unit_text,
    cell_text(texts.circuit_text) as circuit,
    texts.time_text,
    texts.channel_text,
    texts.value_text,
    places.meant as unit_id,
    places.reason as unit_reason,
    ${local} as local_at,
    ${instant} as first_at,
    ${second_instant} as second_at,
    ${ambiguous} as ambiguous,
    ${hour_from} as hour_from,
    ${channel_no} as channel_no,
    ${converted} as value
from suspect_cells as texts
left join places on places.written = texts.unit_text;

create or replace temp table ambiguous_records as
select
    record,
    concat_ws(chr(31), unit_id, circuit, channel_no) as series,
    hour_from,
    local_at
from suspect_values
where ambiguous
