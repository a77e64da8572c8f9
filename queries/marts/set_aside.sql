-- Cells that could not be read while the rest of their record was kept. Grain: source, line, column.
with final as (
    select
        files.source,
        set_aside_cells.line,
        files.target,
        set_aside_cells.column_name as "column",
        set_aside_cells.written,
        set_aside_cells.reason
    from set_aside_cells
    inner join files on files.file_no = set_aside_cells.file_no
)

select * from final
order by source, line, "column"
