-- Readings of one circuit at one instant that several files give: merged where they agree or complete each other, or
-- where a later export replaces; refused where they differ. Only circuits whose files overlap in time are looked at.
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

delete from shared_readings;

insert into shared_readings
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
having count(*) > 1
order by unit_id, circuit, read_at;

create or replace temp table contested as
with judged as (
    select
        raw.*,
        files.source,
        files.file_order,
        files.file_order = max(files.file_order) over (partition by raw.unit_id, raw.circuit, raw.read_at) as is_last,
        last_value(files.replaces) over one_key in ('key', 'table') as replaced,
        ${differs} as differs
    from raw_readings as raw
    inner join files on files.file_no = raw.file_no
    where exists (
        select 1
        from shared_readings as shared
        where
            shared.unit_id = raw.unit_id
            and shared.circuit is not distinct from raw.circuit
            and shared.read_at = raw.read_at
    )
    window
        one_key as (
            partition by raw.unit_id, raw.circuit, raw.read_at
            order by files.file_order rows between unbounded preceding and unbounded following
        )
)

select
    *,
    not differs or (replaced and is_last) as stands
from judged;

delete from merged_readings;

insert into merged_readings (unit_id, circuit, read_at, ${channels})
select
    unit_id,
    circuit,
    read_at,
    ${merged}
from contested
where stands
group by unit_id, circuit, read_at
order by unit_id, circuit, read_at;

create or replace temp table shares as
select
    file_no,
    record,
    ${cells} as cells,
    ${new_cells} as new_cells
from contested
where stands
window
    earlier as (
        partition by unit_id, circuit, read_at
        order by source rows between unbounded preceding and 1 preceding
    );

delete from resolved_records
where file_no not in (select file_no from files) or file_no in (select file_no from files where target = 'readings');

insert into resolved_records (file_no, record, outcome, reason, records)
with repeated as (
    select
        file_no,
        record,
        case
            when record is null then cells - new_cells
            when new_cells = 0 then 1
            else 0
        end as records
    from shares
)

select
    file_no,
    record,
    'repeated' as outcome,
    'repeats a reading of another file' as reason,
    sum(records) as records
from repeated
where records > 0
group by file_no, record
order by file_no, record;

create or replace temp table conflicts as
select
    file_no,
    record,
    unit_id,
    circuit,
    read_at,
    case when replaced then 'replaced' else 'conflict' end as outcome,
    case
        when replaced then 'replaced by a later export'
        else 'conflict: another file has another value for the same unit, circuit and instant'
    end as reason
from contested
where not stands
