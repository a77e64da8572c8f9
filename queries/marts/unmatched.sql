-- Ids of other sources that are not on the list, with the nearest that is. Grain: source, spelling.
with final as (
    select
        files.source,
        file_ids.written,
        file_ids.records as rows,
        file_ids.nearest
    from file_ids
    inner join files on files.file_no = file_ids.file_no
    where file_ids.meant is null
)

select * from final
order by source, written
