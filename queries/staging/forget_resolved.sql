-- Forgets what was found when the files of one input table were last held against each other.
delete from resolved_records
where file_no not in (select file_no from files) or file_no in (select file_no from files where target = '${target}')
