-- Weather stations: those listed, and those that weather files describe in their own header.
create or replace view in_stations as
select * from listed_stations
union all
select
    station_id,
    any_value(name order by file_no) as name,
    any_value(latitude order by file_no) as latitude,
    any_value(longitude order by file_no) as longitude,
    any_value(elevation_m order by file_no) as elevation_m
from header_stations
where not exists (select 1 from listed_stations where listed_stations.station_id = header_stations.station_id)
group by station_id
