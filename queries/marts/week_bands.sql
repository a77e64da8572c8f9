-- Hours of each week by the coldest hour of the day before. Grain: station, week, band, in weeks of the calls export.
select
    air_of_day.station_id,
    air_of_day.week,
    air_of_day.band,
    count(*) as hours
from air_of_day
cross join span
where air_of_day.hour >= span.from_hour and air_of_day.hour < span.to_hour
group by air_of_day.station_id, air_of_day.week, air_of_day.band
order by air_of_day.station_id, air_of_day.week, air_of_day.band
