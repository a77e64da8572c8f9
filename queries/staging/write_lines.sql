-- Line and text of each record of one file that another file made refused.
update resolved_records
set line = lines.line, row = lines.row
from lines
where resolved_records.file_no = ${file_no} and resolved_records.record = lines.record and resolved_records.outcome <> 'repeated'
