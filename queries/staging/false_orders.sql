-- Cells of one optional column that stand in an order that cannot be. Grain: record, column.
insert into aside
select
    typed.record,
    '${column}' as column_name,
    ${written} as written,
    '${first} lies above ${second}' as reason
from typed
inner join texts on texts.record = typed.record
where typed.${first} > typed.${second}
