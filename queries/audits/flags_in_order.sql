-- Flags named twice, less likely ever than now, or evidence of flags that are not there; it must be empty.
with named as (
    select
        unit_id,
        flag,
        1 as times,
        probability,
        probability_ever,
        0 as pieces
    from flags
    union all
    select
        unit_id,
        flag,
        0 as times,
        null as probability,
        null as probability_ever,
        1 as pieces
    from evidence
)

select
    unit_id,
    flag,
    sum(times) as times,
    sum(pieces) as pieces,
    max(probability) as probability,
    min(probability_ever) as probability_ever
from named
group by unit_id, flag
having sum(times) <> 1 or min(probability_ever) < max(probability)
order by unit_id, flag
