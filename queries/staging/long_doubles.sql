-- Groups that are one unit, circuit and instant under different spellings are not sound. Grain: unit, circuit, instant.
create or replace temp table spelled_twice as
select
    unit_id,
    circuit,
    read_at
from timed
where unit_id is not null and read_at is not null and not ambiguous
group by unit_id, circuit, read_at
having count(*) > 1
