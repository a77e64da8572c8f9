-- Lines of records that are refused or in which a cell is set aside. Grain: record.
create or replace temp table lines (record bigint, line bigint, row varchar)
