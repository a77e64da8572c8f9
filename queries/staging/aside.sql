-- Unreadable cells of one optional column of one file. Grain: record, column.
insert into aside
select
    typed.record,
    '${column}' as column_name,
    ${written} as written,
    ${reason} as reason
from typed
inner join texts on texts.record = typed.record
left join places on ${place_on}
where typed.problems & ${bit} > 0
