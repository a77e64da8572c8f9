-- Cells of one file as values of the contract; a value out of its plausible range is null. Grain: record.
create or replace temp table typed as
with valued as (
    select
        texts.record,
        texts.fault,
        ${texts},
        ${values}
    from texts
    left join places on ${place_on}
    ${fold_join}
)

select
    record,
    fault,
    ${kept},
    ${problems} as problems
from valued
