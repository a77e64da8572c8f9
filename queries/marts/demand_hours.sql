-- Observed hours as a unit of each demand limit lives through them, with the 5 degF bands they fall in.
-- Grain: station, demand_from_c, hour. demand_from_c: outdoor temperature from which mechanical cooling can be wanted
-- [degC], -273.15 for any; demand: it can be wanted in this hour; coldest_demand_c: coldest hour with possible demand of
-- this hour and the 23 before [degC], null without one; band_at_opening, band_coldest: band of the one and of the other.
-- Band n runs from 10 degC + n * band_width_k, closed below: 10 degC is 50 degF, so edges stand at whole multiples of 5 degF
-- as of 2.5 K. The place within the bands is rounded to thousandths before it is cut, because 40 degF in a file in degC
-- is 4.444 or 4.4444; values are tenths of a kelvin at best, so nothing real is moved across an edge.
with setting as (
    select max(case when name = 'band_width_k' then value end) as width_k
    from thresholds
),

limits as (
    select distinct
        station_id,
        demand_from_c
    from exposure_classes
    where station_id is not null
),

hours as (
    select
        limits.station_id,
        limits.demand_from_c,
        weather_hours.hour,
        weather_hours.temperature_c,
        weather_hours.temperature_c >= limits.demand_from_c as demand
    from limits
    inner join weather_hours on limits.station_id = weather_hours.station_id
),

looking_back as (
    select
        hours.*,
        min(case when hours.demand then hours.temperature_c end) over (
            partition by hours.station_id, hours.demand_from_c
            order by hours.hour range between interval 23 hour preceding and current row
        ) as coldest_demand_c
    from hours
),

final as (
    select
        looking_back.*,
        cast(floor(round((looking_back.temperature_c - 10) / setting.width_k, 3)) as integer) as band_at_opening,
        cast(floor(round((looking_back.coldest_demand_c - 10) / setting.width_k, 3)) as integer) as band_coldest
    from looking_back
    cross join setting
)

select * from final
order by station_id, demand_from_c, hour
