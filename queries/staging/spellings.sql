-- Units and circuits as one long file writes them, with the number of their groups and records. Grain: unit and circuit
-- as written.
create or replace temp table spellings as
select
    unit_text,
    circuit_text,
    count(*) as instants,
    count(odd_time) as odd_times,
    sum(n) as n
from grouped
group by unit_text, circuit_text
