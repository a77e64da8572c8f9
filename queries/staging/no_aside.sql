-- A file of which no cell is set aside. Grain: record, column.
create or replace temp table aside (record bigint, column_name varchar, written varchar, reason varchar)
