-- Tables of the store itself; input tables are made from the contract's schemas.

create table if not exists store_version (version integer not null);

-- One row a file that stands in the store. `file_no` is its number in raw tables, `file_order` its place in the
-- profile; the digests say when it must be loaded afresh; counts are as read, before files are held against each other;
-- `by_line` says that each line below the header is one record.
create table if not exists files (
    file_no integer not null,
    file_order integer not null,
    source varchar not null,
    target varchar not null,
    digest varchar not null,
    settings_digest varchar not null,
    context_digest varchar not null,
    replaces varchar not null,
    by_line boolean not null,
    rows_read bigint not null,
    refused bigint not null,
    repeated bigint not null
);

-- Remarks of a load that the intake page shows.
create table if not exists file_notes (file_no integer not null, note varchar not null);

-- Spellings of ids in a file, what they were taken to mean, and in how many records.
create table if not exists file_ids (
    file_no integer not null,
    written varchar not null,
    meant varchar,
    nearest varchar,
    records bigint not null
);

-- Refused records as read from one file alone.
create table if not exists refused_records (
    file_no integer not null,
    record bigint not null,
    line bigint not null,
    reason varchar not null,
    row varchar not null
);

-- Records that repeat another of the same file exactly.
create table if not exists repeated_records (file_no integer not null, record bigint not null, repeats bigint not null);

-- Cells that could not be read while the rest of their record was kept.
create table if not exists set_aside_cells (
    file_no integer not null,
    record bigint not null,
    line bigint not null,
    column_name varchar not null,
    written varchar not null,
    reason varchar not null
);

-- What holding files against each other refused, replaced or found repeated.
create table if not exists resolved_records (
    file_no integer not null,
    record bigint,
    outcome varchar not null,
    reason varchar not null,
    line bigint,
    row varchar,
    records bigint not null
);

-- Readings of one circuit at one instant that more than one file gives.
create table if not exists shared_readings (unit_id varchar not null, circuit varchar, read_at timestamp not null);

-- Targets whose files have been held against each other since the last change.
create table if not exists resolved_targets (target varchar not null);

-- Stations that weather files describe in their own header.
create table if not exists header_stations (
    file_no integer not null,
    station_id varchar not null,
    name varchar,
    latitude double not null,
    longitude double not null,
    elevation_m double
);
