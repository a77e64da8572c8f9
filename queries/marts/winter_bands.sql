-- Hours of each winter by the coldest hour of the day before, within the calls export's span. Grain: station, winter, band.
-- hours [h].
select
    air_of_day.station_id,
    months.winter,
    air_of_day.band,
    count(*) as hours
from air_of_day
inner join months on date_trunc('month', air_of_day.hour) = months.month
cross join span
where air_of_day.hour >= span.from_hour and air_of_day.hour < span.to_hour
group by air_of_day.station_id, months.winter, air_of_day.band
order by air_of_day.station_id, months.winter, air_of_day.band
