-- Replaces what holding the files of one input table against each other gave before.
delete from ${table};

insert into ${table} (${columns})
select ${columns}
from standing
where outcome = 'kept'
order by ${key};

insert into resolved_records (file_no, record, outcome, reason, records)
select
    file_no,
    record,
    outcome,
    case outcome
        when 'conflict' then 'conflict: another file has the same key and other values'
        when 'farther' then 'an observation in another file is nearer to the full hour'
        when 'replaced' then 'replaced by a later export' || case when superseded then '' else ' (' || last_source || ')' end
        else 'repeats a record of the same or another file'
    end as reason,
    1 as records
from standing
where outcome <> 'kept'
order by file_no, record
