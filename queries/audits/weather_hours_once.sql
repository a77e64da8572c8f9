-- Station hours that occur twice in weather_hours, or stand off the whole hour; it must be empty.
select
    station_id,
    hour,
    count(*) as rows_found
from weather_hours
group by station_id, hour
having count(*) > 1 or hour <> date_trunc('hour', hour)
order by station_id, hour
