-- Cells of one file as values of the contract; a value out of its plausible range is null. Grain: record.
create or replace temp table typed as
with located as (
    select texts.*${locals}
    from texts
),

valued as (
    select
        texts.*,
        ${values}
    from located as texts
    left join places on ${place_on}
    ${fold_join}
)

select
    texts.record,
    texts.fault,
    ${kept},
    ${problems} as problems
from valued as texts
