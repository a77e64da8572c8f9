-- Flags named twice, less likely ever than now, raised though never likely, or with evidence of other flags; it must be empty.
with counted as (
    select
        unit_id,
        flag,
        count(*) as times,
        max(probability) as probability,
        min(probability_ever) as probability_ever
    from flags
    group by unit_id, flag
),

stray as (
    select distinct
        evidence.unit_id,
        evidence.flag
    from evidence
    left join counted on evidence.unit_id = counted.unit_id and evidence.flag = counted.flag
    where counted.unit_id is null
)

select
    unit_id,
    flag,
    'twice, or less likely ever than now' as fault
from counted
where times > 1 or probability_ever < probability
union all
select
    unit_id,
    flag,
    'evidence without its flag' as fault
from stray
order by unit_id, flag, fault
