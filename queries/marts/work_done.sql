-- What each ticket did to the unit, as its note states it.
-- Grain: ticket whose note states any work. work: as in work_kinds, the one of the lowest rank where several are stated; a
-- statement counts when it is more likely made than not; what was bridged says what was put back.
with stated as (
    select
        call_id,
        statement,
        coalesce(
            max(case when statement in ('bypass found', 'bypass removed') then about end) over (partition by call_id),
            'head control'
        ) as bridged
    from call_statements
    where probability >= 0.5
),

ranked as (
    select
        stated.call_id,
        work_kinds.work,
        work_kinds.rank,
        row_number() over (
            partition by stated.call_id order by work_kinds.rank, work_kinds.work, stated.statement
        ) as place
    from stated
    inner join work_kinds
        on stated.statement = work_kinds.statement and (work_kinds.about = '' or work_kinds.about = stated.bridged)
),

final as (
    select
        call_id,
        work,
        rank
    from ranked
    where place = 1
)

select * from final
order by call_id
