-- Winters of units whose hours do not lie within one another: reset-cold in cold, cold in demand, demand in hours with
-- weather, or that occur twice; it must be empty.
select
    unit_id,
    winter,
    count(*) as rows_found,
    min(service_hours) as service_hours,
    min(gap_hours) as gap_hours,
    min(demand_hours) as demand_hours,
    min(cold_hours) as cold_hours,
    min(reset_cold_hours) as reset_cold_hours
from cold_hours
group by unit_id, winter
having
    count(*) > 1
    or min(gap_hours) < 0
    or min(demand_hours) > min(service_hours - gap_hours)
    or min(cold_hours) > min(demand_hours)
    or coalesce(min(reset_cold_hours), 0) > min(cold_hours)
order by unit_id, winter
