-- One file that was read, with what it was read under and how many of its records were refused or repeated.
insert into files
select
    $file_no,
    $file_order,
    $source,
    $target,
    $digest,
    $settings_digest,
    $context_digest,
    $replaces,
    $by_line,
    $rows_read,
    (select count(distinct record) from refused),
    (select count(*) from repeats)
