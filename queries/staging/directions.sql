-- Which way the records of a series run: 1 where the oldest come first, -1 where the newest do, 0 where that cannot be
-- told. Grain: series.
create or replace temp table directions as
select
    series,
    cast(sign(epoch(arg_max(local_at, record)) - epoch(arg_min(local_at, record))) as integer) as direction
from located_records
where local_at is not null and series in (select series from ambiguous_records)
group by series
