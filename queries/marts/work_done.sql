-- What each ticket did to the unit, as its note states it.
-- Grain: ticket whose note states any work. work: as in work_kinds, the one of the lowest rank where several are stated; a
-- statement counts when it is more likely made than not.
with ranked as (
    select
        call_statements.call_id,
        work_kinds.work,
        work_kinds.rank,
        row_number() over (
            partition by call_statements.call_id order by work_kinds.rank, work_kinds.work, call_statements.statement
        ) as place
    from call_statements
    inner join work_kinds on call_statements.statement = work_kinds.statement
    where call_statements.probability >= 0.5
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
