-- The weather station of each unit: the one its site names where that has observed weather, else the nearest that has.
-- Grain: unit. station_id: null where there is none; station_km: great-circle distance [km], null where a position is
-- unknown; station_named: the site named it; named_station_id: what the site names, with weather or without;
-- typical_station_id, typical_station_km: the same for typical years (TMY3, EPW).
-- Distance: haversine on a sphere of 6371.0088 km, the mean radius of the Earth (IUGG).
with kinds as (
    select distinct
        station_id,
        kind
    from in_weather
),

distances as (
    select
        in_sites.site_id,
        in_stations.station_id,
        round(
            2 * 6371.0088 * asin(least(1, sqrt(
                pow(sin(radians(in_stations.latitude - in_sites.latitude) / 2), 2)
                + cos(radians(in_sites.latitude)) * cos(radians(in_stations.latitude))
                * pow(sin(radians(in_stations.longitude - in_sites.longitude) / 2), 2)
            ))),
            3
        ) as km
    from in_sites
    cross join in_stations
    where in_sites.latitude is not null and in_sites.longitude is not null
),

ranked as (
    select
        distances.site_id,
        kinds.kind,
        distances.station_id,
        distances.km,
        row_number() over (
            partition by distances.site_id, kinds.kind order by distances.km, distances.station_id
        ) as place
    from distances
    inner join kinds on distances.station_id = kinds.station_id
),

named as (
    select
        in_sites.site_id,
        kinds.kind,
        kinds.station_id,
        distances.km
    from in_sites
    inner join kinds on in_sites.station_id = kinds.station_id
    left join distances
        on in_sites.site_id = distances.site_id and in_sites.station_id = distances.station_id
),

nearest as (
    select
        site_id,
        kind,
        station_id,
        km
    from ranked
    where place = 1
),

final as (
    select
        in_units.unit_id,
        coalesce(named_observed.station_id, near_observed.station_id) as station_id,
        case when named_observed.station_id is not null then named_observed.km else near_observed.km end as station_km,
        case
            when named_observed.station_id is not null then true
            when near_observed.station_id is not null then false
        end as station_named,
        in_sites.station_id as named_station_id,
        coalesce(named_typical.station_id, near_typical.station_id) as typical_station_id,
        case when named_typical.station_id is not null then named_typical.km else near_typical.km end
            as typical_station_km
    from in_units
    left join in_sites on in_units.site_id = in_sites.site_id
    left join named as named_observed
        on in_units.site_id = named_observed.site_id and named_observed.kind = 'observed'
    left join nearest as near_observed
        on in_units.site_id = near_observed.site_id and near_observed.kind = 'observed'
    left join named as named_typical
        on in_units.site_id = named_typical.site_id and named_typical.kind = 'typical'
    left join nearest as near_typical
        on in_units.site_id = near_typical.site_id and near_typical.kind = 'typical'
)

select * from final
order by unit_id
