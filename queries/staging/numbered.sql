-- Cells of one file straight from DuckDB's reader, each record with its place. Grain: record.
(
    select
        row_number() over () - 1 as record,
        ${fault} as fault,
        *
    from ${source}
)
