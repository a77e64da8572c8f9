-- Refused records, cells set aside and repeats of one file.
insert into refused_records
select
    ${file_no} as file_no,
    refused.record,
    any_value(lines.line) as line,
    string_agg(refused.reason, '; ' order by refused.reason) as reason,
    any_value(lines.row) as row
from refused
inner join lines on lines.record = refused.record
group by refused.record
order by refused.record;

insert into set_aside_cells
select
    ${file_no} as file_no,
    aside.record,
    lines.line,
    aside.column_name,
    aside.written,
    aside.reason
from aside
inner join lines on lines.record = aside.record
order by aside.record, aside.column_name;

insert into repeated_records
select
    ${file_no} as file_no,
    record,
    repeats
from repeats
order by record
