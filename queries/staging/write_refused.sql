-- Refused records and cells set aside of one batch of lines, with the line and the record as it was.
insert into refused_records
select
    ${file_no} as file_no,
    lines.record,
    lines.line,
    string_agg(refused.reason, '; ' order by refused.reason) as reason,
    any_value(lines.row) as row
from lines
inner join refused on refused.record = lines.record
group by lines.record, lines.line
order by lines.record;

insert into set_aside_cells
select
    ${file_no} as file_no,
    aside.record,
    lines.line,
    aside.column_name,
    aside.written,
    aside.reason
from lines
inner join aside on aside.record = lines.record
order by aside.record, aside.column_name
