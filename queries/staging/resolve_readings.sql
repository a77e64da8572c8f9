-- Readings of one circuit at one instant that several files give, cell by cell: a cell stands where all files agree on
-- it, or where the last file to give it replaces what came before. A record of a wide file stands as a whole or not at
-- all. Only circuits whose files overlap in time are looked at; nothing is written outside temporary tables.
create or replace temp table spans as
select
    file_no,
    unit_id,
    circuit,
    min(read_at) as first_at,
    max(read_at) as last_at
from raw_readings
group by file_no, unit_id, circuit;

create or replace temp table overlapping as
select distinct
    one.unit_id,
    one.circuit
from spans as one
inner join spans as other
    on
        other.unit_id = one.unit_id
        and other.circuit is not distinct from one.circuit
        and other.file_no > one.file_no
        and other.first_at <= one.last_at
        and other.last_at >= one.first_at;

create or replace temp table shared as
select
    unit_id,
    circuit,
    read_at
from raw_readings
where exists (
    select 1
    from overlapping
    where overlapping.unit_id = raw_readings.unit_id and overlapping.circuit is not distinct from raw_readings.circuit
)
group by unit_id, circuit, read_at
having count(*) > 1;

create or replace temp table shared_cells as
with numbers as (
    select
        raw.file_no,
        raw.record,
        raw.unit_id,
        raw.circuit,
        raw.read_at,
        ${numbered}
    from raw_readings as raw
    where exists (
        select 1
        from shared
        where
            shared.unit_id = raw.unit_id
            and shared.circuit is not distinct from raw.circuit
            and shared.read_at = raw.read_at
    )
),

cells as (
    unpivot numbers on ${channels} into name channel value value
)

select
    cells.*,
    files.source,
    files.file_order,
    files.replaces = 'key' as replacing
from cells
inner join files on files.file_no = cells.file_no;

create or replace temp table judged_cells as
with compared as (
    select
        *,
        min(value) over one_cell <> max(value) over one_cell as differs,
        max(file_order) over one_cell as last_order,
        coalesce(max(case when replacing then file_order end) over one_cell = max(file_order) over one_cell, false)
            as is_replaced
    from shared_cells
    window one_cell as (partition by unit_id, circuit, read_at, channel)
),

alone as (
    select
        *,
        not differs or (is_replaced and file_order = last_order) as stands_alone
    from compared
)

select
    *,
    case
        when record is null then stands_alone
        else bool_and(stands_alone) over (partition by file_no, record)
    end as stands
from alone;

create or replace temp table merged as
select
    unit_id,
    circuit,
    read_at,
    ${merged}
from judged_cells
where stands
group by unit_id, circuit, read_at;

create or replace temp table repeated as
with seen as (
    select
        file_no,
        record,
        row_number() over (partition by unit_id, circuit, read_at, channel order by source) > 1 as again
    from judged_cells
    where stands
)

select
    file_no,
    record,
    count(*) as records
from seen
where record is null and again
group by file_no, record
union all
select
    file_no,
    record,
    1 as records
from seen
where record is not null
group by file_no, record
having bool_and(again);

create or replace temp table conflicts as
select
    file_no,
    record,
    unit_id,
    circuit,
    read_at,
    channel,
    case when is_replaced then 'replaced' else 'conflict' end as outcome,
    case
        when is_replaced then 'replaced by a later export'
        else 'conflict: another file has another value for the same unit, circuit, instant and channel'
    end as reason
from judged_cells
where not stands_alone;

create or replace temp table named as
select
    file_no,
    record,
    min(outcome) as outcome,
    arg_min(reason, outcome) as reason
from conflicts
where record is not null
group by file_no, record
