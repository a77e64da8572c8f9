-- Units that live through the same hours in the same way share a class, so that hours are counted once for all of them.
-- Grain: unit. demand_class: units alike in station, service dates and demand_from_c; cold_class: alike in
-- starve_ambient_c and reset_cold_below_c as well; demand_from_c, reset_cold_below_c: as in unit_limits, with
-- -273.15 degC (colder than any weather) for null.
with described as (
    select
        unit_service.unit_id,
        unit_service.station_id,
        unit_service.served_from,
        unit_service.served_to,
        coalesce(unit_limits.demand_from_c, -273.15) as demand_from_c,
        unit_limits.starve_ambient_c,
        coalesce(unit_limits.reset_cold_below_c, -273.15) as reset_cold_below_c
    from unit_service
    inner join unit_limits on unit_service.unit_id = unit_limits.unit_id
),

-- a rank is the same for all rows that tie: it serves as the number of the class
final as (
    select
        described.*,
        rank()
            over (order by described.station_id, described.served_from, described.served_to, described.demand_from_c)
            as demand_class,
        rank() over (
            order by
                described.station_id,
                described.served_from,
                described.served_to,
                described.demand_from_c,
                described.starve_ambient_c,
                described.reset_cold_below_c
        ) as cold_class
    from described
)

select * from final
order by unit_id
