-- Units with more than one chosen package, sites whose chosen set carries the driving not once, and rows whose interval is
-- upside down; it must be empty.
with chosen as (
    select * from plan
    where selected
),

units as (
    select
        'unit' as level,
        unit_id as name,
        count(*) as chosen
    from chosen
    group by unit_id
    having count(*) > 1
),

sites as (
    select
        'site' as level,
        site_id as name,
        sum(case when drives then 1 else 0 end) as chosen
    from chosen
    group by site_id
    having sum(case when drives then 1 else 0 end) <> 1
),

upside_down as (
    select
        'interval' as level,
        unit_id as name,
        rank as chosen
    from plan
    where lower_90 > upper_90
),

final as (
    select * from units
    union all
    select * from sites
    union all
    select * from upside_down
)

select * from final
order by level, name, chosen
