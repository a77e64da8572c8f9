-- What each file gave: records read, and where each of them is. `rows_read = loaded + refused + repeated`.
-- Grain: source, target.
with resolved as (
    select
        file_no,
        sum(case when outcome = 'repeated' then records else 0 end) as repeated,
        sum(case when outcome <> 'repeated' then records else 0 end) as refused
    from resolved_records
    group by file_no
),

final as (
    select
        files.source,
        files.digest,
        files.target,
        files.rows_read,
        files.rows_read
        - files.refused - files.repeated - coalesce(resolved.refused, 0) - coalesce(resolved.repeated, 0) as loaded,
        cast(files.refused + coalesce(resolved.refused, 0) as bigint) as refused,
        cast(files.repeated + coalesce(resolved.repeated, 0) as bigint) as repeated
    from files
    left join resolved on resolved.file_no = files.file_no
)

select
    source,
    digest,
    target,
    rows_read,
    cast(loaded as bigint) as loaded,
    refused,
    repeated
from final
order by source, target
