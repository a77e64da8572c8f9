-- Records of one file that cannot be kept, with every reason. Grain: record.
create or replace temp table refused as
with judged as (
    select
        typed.record,
        concat_ws('; ', ${reasons}) as reason
    from typed
    inner join texts on texts.record = typed.record
    left join places on ${place_on}
)

select
    record,
    reason
from judged
where reason <> ''
