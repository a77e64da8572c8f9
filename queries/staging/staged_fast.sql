-- Cells of one file as DuckDB's reader gives them; its `rowid` is the record's place. Grain: record.
create or replace temp table staged as
select
    ${fault} as fault${cells}
from ${source}
