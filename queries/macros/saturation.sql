-- Saturation inside the store: macros over the tables `saturation_bins` and `refrigerants`.
-- One join to saturation_bins serves both temperatures of a pressure. Out of range finds no bin, so it is null:
--
--   select readings.*, bubble_c(liquid, readings.liquid_kpa) as liquid_bubble_c,
--          dew_c(suction, readings.suction_kpa) as suction_dew_c
--   from readings
--   left join saturation_bins as liquid
--       on liquid.saturation_bin = saturation_bin(readings.refrigerant_no, readings.liquid_kpa)
--   left join saturation_bins as suction
--       on suction.saturation_bin = saturation_bin(readings.refrigerant_no, readings.suction_kpa)
--
-- Pressures are absolute kPa, temperatures degC. Source of the numbers: reference/saturation/.

-- ln of a pressure that any table could hold, null for others (ln of zero and of less is an error).
create or replace macro ln_pressure(pressure_kpa) as
ln(case when pressure_kpa between 0.05::double and 100000::double then pressure_kpa end);

-- Key of the row of saturation_bins that holds a pressure: 2048 keys a refrigerant, 128 bins a factor e.
create or replace macro saturation_bin(refrigerant_no, pressure_kpa) as
2048 * refrigerant_no::integer + 512 + floor(128::double * ln_pressure(pressure_kpa))::integer;

-- Bubble temperature, degC; `bin` is the alias of the joined row of saturation_bins.
create or replace macro bubble_c(bin, pressure_kpa) as
bin.bubble_intercept_c + bin.bubble_slope_c * ln_pressure(pressure_kpa);

-- Dew temperature, degC; `bin` is the alias of the joined row of saturation_bins.
create or replace macro dew_c(bin, pressure_kpa) as
bin.dew_intercept_c + bin.dew_slope_c * ln_pressure(pressure_kpa);

-- Why a pressure has no saturation temperature, null where it has one; the ends are those of `refrigerants`.
create or replace macro saturation_reason(pressure_kpa, lowest_kpa, highest_kpa) as
case
    when pressure_kpa is null or isnan(pressure_kpa) then 'no pressure'
    when pressure_kpa < lowest_kpa then 'below range'
    when pressure_kpa >= highest_kpa then 'above range'
end;

-- The inverse, for the few rows of a page: a relation with refrigerant_no and temperature_c gains bubble_kpa and
-- dew_kpa (absolute). It looks up as of a temperature, some four times the work of a join by key.
create or replace macro pressures_at_temperature(relation) as table
    select
        asked.*,  -- noqa: AM04
        case
            when asked.temperature_c < bubble.bubble_to_c
                then exp((asked.temperature_c - bubble.bubble_intercept_c) / bubble.bubble_slope_c)
        end as bubble_kpa,
        case
            when asked.temperature_c < dew.dew_to_c
                then exp((asked.temperature_c - dew.dew_intercept_c) / dew.dew_slope_c)
        end as dew_kpa
    from query_table(relation) as asked  -- noqa: RF02
    asof left join saturation_bins as bubble
        on asked.refrigerant_no = bubble.refrigerant_no and asked.temperature_c >= bubble.bubble_from_c
    asof left join saturation_bins as dew
        on asked.refrigerant_no = dew.refrigerant_no and asked.temperature_c >= dew.dew_from_c;

-- Pressure of the standard atmosphere, kPa, at an elevation in metres (ISO 2533:1975); null outside -1,000 to
-- 11,000 m.
create or replace macro barometric_kpa(elevation_m) as
case
    when elevation_m between -1000 and 11000
        then 101.325 * pow(1 - 0.0065 * elevation_m / 288.15, 9.80665 / (287.05287 * 0.0065))
end;
