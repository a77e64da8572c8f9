-- Records of one input table held against each other over all files: under one key the same value again is a repeat; a
-- later export replaces where its source says so; otherwise another value is a conflict and both are refused.
-- Grain of `standing`: record of a file.
create or replace temp table standing as
with last_of_source as (
    select
        file_no,
        source,
        file_order,
        replaces,
        replaces = 'table' and file_order < max(file_order) over (partition by settings_digest) as superseded
    from files
    where target = '${target}'
),

records as (
    select
        raw.*,
        last_of_source.source,
        last_of_source.file_order,
        last_of_source.replaces,
        last_of_source.superseded,
        hash(${content}) as content
    from raw_${target} as raw
    inner join last_of_source on last_of_source.file_no = raw.file_no
),

latest as (
    select
        *,
        last_value(content) over one_key as last_content,
        last_value(replaces) over one_key in ('key', 'table') as is_replaced,
        last_value(source) over one_key as last_source,
        min(content) over one_key <> max(content) over one_key as differs,
        row_number() over (partition by ${key}, superseded, content order by source, record) as place,
        bool_or(not superseded) over (partition by ${key}, content) as comes_later
    from records
    window
        one_key as (
            partition by ${key}, superseded
            order by file_order, record rows between unbounded preceding and unbounded following
        )
)

select
    *,
    case
        when superseded and not comes_later then 'replaced'
        when superseded or place > 1 then 'repeated'
        when differs and not is_replaced then 'conflict'
        when differs and content <> last_content then 'replaced'
        else 'kept'
    end as outcome
from latest
