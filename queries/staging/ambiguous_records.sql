-- Records of a wide readings file or a weather file with their local time, and those whose local time came twice. Grain: record.
create or replace temp view located_records as
select
    texts.*,
    concat_ws(chr(31), ${series}) as series,
    ${local} as local_at
from texts;

create or replace temp table ambiguous_records as
select
    texts.record,
    texts.series,
    ${hour_from} as hour_from,
    texts.local_at
from located_records as texts
left join places on ${place_on}
where ${ambiguous}
