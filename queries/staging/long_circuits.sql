-- Circuits of a long file: how many groups they have, the channel that is read most often and how often, whether all is
-- sound, and records that feed no channel. Grain: unit, circuit.
create or replace temp table circuits as
select
    unit_id,
    circuit,
    count(*) as instants,
    greatest(${counts}) as densest,
    case greatest(${counts}) ${reference} end as reference,
    bool_and(sound) as sound,
    sum(n - known) as strange
from timed
group by unit_id, circuit
