-- Times of one column that the clocks showed twice and of which the first is taken. Grain: column.
insert into doubtful_times
select
    ${column} as column_name,
    count(*) as records
from (select texts.*, ${local} as local_at from texts) as texts
left join places on ${place_on}
where texts.fault is null and ${ambiguous}
