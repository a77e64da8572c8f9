-- Unreadable cells of one optional column in records that are kept. Grain: record, column.
insert into aside
select
    typed.record,
    '${column}' as column_name,
    texts.${column} as written,
    ${reason} as reason
from typed
inner join texts on texts.record = typed.record
left join places on ${place_on}
where
    typed.problems & ${bit} > 0
    and not exists (select 1 from refused where refused.record = typed.record)
