-- Records of one input table held against each other over all files: under one key the same value again is a repeat; a
-- later export replaces where its source says so; otherwise another value is a conflict and both are refused.
-- Grain of `standing`: record of a file.
create or replace temp table standing as
with last_of_source as (
    select
        file_no,
        replaces = 'table' and file_order < max(file_order) over (partition by settings_digest) as superseded
    from files
    where target = '${target}'
),

records as (
    select
        raw.*,
        files.source,
        files.file_order,
        files.replaces,
        hash(${content}) as content,
        last_of_source.superseded
    from raw_${target} as raw
    inner join files on files.file_no = raw.file_no
    inner join last_of_source on last_of_source.file_no = raw.file_no
),

latest as (
    select
        *,
        last_value(content) over one_key as last_content,
        last_value(replaces) over one_key as last_replaces,
        last_value(source) over one_key as last_source,
        min(content) over (partition by ${key}, superseded) <> max(content) over (partition by ${key}, superseded) as differs,
        row_number() over (partition by ${key}, superseded, content order by source, record) as place
    from records
    window one_key as (
        partition by ${key}, superseded
        order by file_order, record rows between unbounded preceding and unbounded following
    )
)

select
    *,
    case
        when superseded then 'replaced'
        when differs and last_replaces not in ('key', 'table') then case when place = 1 then 'conflict' else 'repeated' end
        when differs and content <> last_content then case when place = 1 then 'replaced' else 'repeated' end
        when place > 1 then 'repeated'
        else 'kept'
    end as outcome
from latest;

delete from ${table};

insert into ${table} (${columns})
select ${columns}
from standing
where outcome = 'kept'
order by ${key};

delete from resolved_records
where file_no not in (select file_no from files) or file_no in (select file_no from files where target = '${target}');

insert into resolved_records (file_no, record, outcome, reason, records)
select
    file_no,
    record,
    outcome,
    case outcome
        when 'conflict' then 'conflict: another file has the same key and other values'
        when 'replaced' then 'replaced by a later export' || case when superseded then '' else ' (' || last_source || ')' end
        else 'repeats a record of the same or another file'
    end as reason,
    1 as records
from standing
where outcome <> 'kept'
order by file_no, record
