-- Records of one file that cannot be kept, with every reason. Grain: record.
create or replace temp table refused as
with bad as (
    select *
    from typed
    where ${bad}
)

select
    typed.record,
    concat_ws('; ', ${reasons}) as reason
from bad as typed
inner join texts on texts.record = typed.record
left join places on ${place_on}
