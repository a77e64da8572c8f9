-- Records of a wide readings file whose local time came twice. Grain: record.
create or replace temp table ambiguous_records as
select
    texts.record,
    concat_ws(chr(31), ${series}) as series,
    ${hour_from} as hour_from,
    ${local} as local_at
from texts
left join places on ${place_on}
where ${ambiguous}
