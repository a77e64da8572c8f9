-- Records that no table holds, with where they start, their text as it was, and why. Grain: source, line, target.
with refused as (
    select
        file_no,
        line,
        reason,
        row
    from refused_records
    union all
    select
        file_no,
        line,
        reason,
        row
    from resolved_records
    where outcome <> 'repeated'
),

final as (
    select
        files.source,
        refused.line,
        files.target,
        refused.reason,
        refused.row
    from refused
    inner join files on files.file_no = refused.file_no
)

select * from final
order by source, line, target
