-- A file of which every record is kept.
create or replace temp table refused (record bigint, reason varchar);

create or replace temp table repeats (record bigint, repeats bigint);

create or replace temp table mended as
from timed
where false
