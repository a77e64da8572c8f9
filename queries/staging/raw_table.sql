-- Records of one input table as each file gives them, before files are held against each other.
create table if not exists ${table} (file_no integer not null, record bigint, ${columns})
