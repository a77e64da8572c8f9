-- Cells of one staged file under their contract names, untrimmed. Grain: record.
create or replace temp view texts as
select
    rowid as record,
    fault,
    ${cells}
from staged
