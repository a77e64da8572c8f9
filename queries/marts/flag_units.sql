-- What the unit list and the weather say of each unit before any call is looked at.
-- Grain: unit. from_h, to_h: hours of the calls export between which it was in service; station_id: null without weather.
select
    in_units.unit_id,
    in_units.site_id,
    in_units.duty,
    in_units.head_control,
    in_units.economizer,
    in_units.space_c,
    unit_service.station_id,
    unit_service.still_served,
    unit_limits.reset_ambient_c,
    cast(date_diff('hour', span.from_hour, unit_service.served_from) as bigint) as from_h,
    cast(date_diff('hour', span.from_hour, unit_service.served_to) as bigint) as to_h
from in_units
inner join unit_service on in_units.unit_id = unit_service.unit_id
inner join unit_limits on in_units.unit_id = unit_limits.unit_id
cross join span
order by in_units.unit_id
