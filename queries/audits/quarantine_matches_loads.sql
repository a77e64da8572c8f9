-- Files whose refused records are not all in quarantine, or the other way round; it must be empty.
with held as (
    select
        source,
        target,
        count(*) as rows_held
    from quarantine
    group by source, target
)

select
    coalesce(loads.source, held.source) as source,
    coalesce(loads.target, held.target) as target,
    loads.refused,
    coalesce(held.rows_held, 0) as rows_held
from loads
full outer join held on loads.source = held.source and loads.target = held.target
where coalesce(loads.refused, -1) <> coalesce(held.rows_held, 0)
order by source, target
