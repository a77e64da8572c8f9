-- Records of a long file among which those that are not sound must be. Grain: record.
create or replace temp table candidates (record bigint, fault varchar${columns})
