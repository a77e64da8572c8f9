-- Records of one file under one key: the same value again is a repeat; another value is a conflict, or where the
-- source says so replaces the earlier record. Grain of `doubles`: record under a key that is not alone.
create or replace temp table doubles as
with candidate as (
    select
        record,
        ${key_columns}
    from typed
    where not exists (select 1 from refused where refused.record = typed.record)
),

crowded as (
    select ${key}
    from candidate
    group by ${key}
    having count(*) > 1
),

members as (
    select
        candidate.*,
        hash(${content}) as content
    from candidate
    inner join typed on typed.record = candidate.record
    where exists (select 1 from crowded where ${key_match})
),

judged as (
    select
        record,
        content,
        min(record) over (partition by ${key}, content) as first_alike,
        max(record) over (partition by ${key}) as last_record,
        last_value(content) over (
            partition by ${key} order by record rows between unbounded preceding and unbounded following
        ) as last_content,
        min(content) over (partition by ${key}) <> max(content) over (partition by ${key}) as differs
    from members
)

select
    record,
    differs,
    case when ${replaces} and differs and content = last_content then last_record else first_alike end as kept_as,
    content = last_content as is_latest
from judged;

create or replace temp table repeats as
select
    record,
    kept_as as repeats
from doubles
where record <> kept_as;

insert into refused
select
    record,
    case
        when ${replaces} then 'replaced by a later record under the same key'
        else 'conflict: another record of this file has the same key and other values'
    end as reason
from doubles
where differs and record = kept_as and not (${replaces} and is_latest)
