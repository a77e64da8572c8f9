"""The input contract: one schema for each table that a company's exports are read into.

Units are those of the contract: UTC instants, degC, kelvin differences, absolute kPa, metres, hours. A column with
`nullable=False` is required: a row without it is refused. `ORDERED` names pairs of columns of which the first may
not exceed the second.
"""

from typing import ClassVar

import dataframely as dy
import polars as pl

from lowambient.records.columns import choice, count, flag, instant, measured, text


def _in_order(first: str, second: str) -> pl.Expr:
    return pl.col(first).is_null() | pl.col(second).is_null() | (pl.col(first) <= pl.col(second))


class Sites(dy.Schema):
    """Grain: site."""

    site_id = text("site as the company writes it", key=True)
    name = text("name shown on pages")
    latitude = measured("latitude", "north positive", digits=5)
    longitude = measured("longitude", "east positive", digits=5)
    elevation_m = measured("elevation_m", "above mean sea level", digits=1)
    time_zone = text("IANA area name", required=True)
    station_id = text("weather station; the nearest is taken where none is named")


class Units(dy.Schema):
    """Grain: unit."""

    unit_id = text("unit as the unit list writes it", key=True)
    site_id = text("site", required=True)
    description = text("what the unit serves")
    refrigerant = text("refrigerant as written; a unit without one is kept, its calls count")
    capacity_kw = measured("capacity_kw", "nominal cooling capacity")
    circuits = count("refrigerant circuits", minimum=1, limit="count")
    condenser_fans = count("condenser fans", limit="count")
    shared_condenser = flag("circuits share condenser fans")
    duty = choice("duty", "when cooling can be wanted")
    space_c = measured("space_c", "temperature of the cooled space")
    heat_pump = flag("heats as well")
    pump_down = flag("stops by pump-down")
    head_control = choice("head_control", "head-pressure control as listed")
    economizer = flag("has an economizer")
    lp_switch_at = choice("lp_switch_at", "where the LP switch sits")
    lp_cut_out_kpa = measured("pressure_kpa", "LP cut-out")
    lp_reset_kpa = measured("pressure_kpa", "LP reset")
    hp_cut_out_kpa = measured("pressure_kpa", "HP cut-out")
    fan_on_kpa = measured("pressure_kpa", "fan-cycling switch closes")
    fan_off_kpa = measured("pressure_kpa", "fan-cycling switch opens")
    coverage = choice("coverage", "who pays for repairs")
    outage_cost_per_h = measured("money", "what an hour without cooling costs the customer")
    installed_on = instant("installed")
    retired_on = instant("taken out")
    served_from = instant("service by this company began")
    served_to = instant("service by this company ended")

    ORDERED: ClassVar[dict[str, tuple[str, str]]] = {
        "lp_cut_out_not_above_reset": ("lp_cut_out_kpa", "lp_reset_kpa"),
        "fan_off_not_above_fan_on": ("fan_off_kpa", "fan_on_kpa"),
        "not_retired_before_installed": ("installed_on", "retired_on"),
        "service_not_ended_before_begun": ("served_from", "served_to"),
    }

    @dy.rule()
    def lp_cut_out_not_above_reset(cls) -> pl.Expr:
        return _in_order("lp_cut_out_kpa", "lp_reset_kpa")

    @dy.rule()
    def fan_off_not_above_fan_on(cls) -> pl.Expr:
        return _in_order("fan_off_kpa", "fan_on_kpa")

    @dy.rule()
    def not_retired_before_installed(cls) -> pl.Expr:
        return _in_order("installed_on", "retired_on")

    @dy.rule()
    def service_not_ended_before_begun(cls) -> pl.Expr:
        return _in_order("served_from", "served_to")


class Aliases(dy.Schema):
    """Grain: another spelling of a unit id."""

    written = text("spelling found in another source", key=True)
    unit_id = text("unit as the unit list writes it", required=True)


class Stations(dy.Schema):
    """Grain: weather station."""

    station_id = text("station", key=True)
    name = text("name")
    latitude = measured("latitude", "north positive", required=True, digits=5)
    longitude = measured("longitude", "east positive", required=True, digits=5)
    elevation_m = measured("elevation_m", "above mean sea level", digits=1)


class Calls(dy.Schema):
    """Grain: call."""

    call_id = text("ticket", key=True)
    unit_id = text("unit", required=True)
    opened_at = instant("the call came in", required=True)
    closed_at = instant("the work was finished")
    work_type = choice("work_type", "kind of work")
    complaint = text("what the customer said")
    finding = text("what was found")
    action = text("what was done")
    technician = text("who did it")
    labour_h = measured("hours", "labour")
    travel_h = measured("hours", "travel")
    parts_cost = measured("money", "parts", digits=2)
    status = choice("status", "state of the ticket")

    ORDERED: ClassVar[dict[str, tuple[str, str]]] = {"not_closed_before_opened": ("opened_at", "closed_at")}

    @dy.rule()
    def not_closed_before_opened(cls) -> pl.Expr:
        return _in_order("opened_at", "closed_at")


class Readings(dy.Schema):
    """Grain: unit, circuit, instant."""

    GRAIN: ClassVar[list[str]] = ["unit_id", "read_at", "circuit"]

    unit_id = text("unit", required=True)
    circuit = text("circuit; null is the whole unit")
    read_at = instant("when it was read", required=True)
    suction_kpa = measured("pressure_kpa", "suction pressure")
    liquid_kpa = measured("pressure_kpa", "liquid (head) pressure")
    discharge_kpa = measured("pressure_kpa", "discharge pressure")
    suction_line_c = measured("line_c", "suction line")
    liquid_line_c = measured("line_c", "liquid line")
    outdoor_c = measured("outdoor_c", "outdoor air at the condenser")
    return_air_c = measured("air_c", "return air")
    supply_air_c = measured("air_c", "supply air")
    compressor_on = flag("compressor runs")
    compressor_a = measured("current_a", "compressor current")
    fans_running = count("condenser fans running", limit="count")
    fan_speed_fraction = measured("fraction", "condenser fan speed")
    lp_switch_closed = flag("LP switch closed")
    hp_switch_closed = flag("HP switch closed")
    liquid_solenoid_open = flag("liquid line solenoid open")
    cooling_called = flag("cooling is called for")
    mode = choice("mode", "operating mode")

    @dy.rule()
    def one_row_a_grain(cls) -> pl.Expr:
        return pl.struct(cls.GRAIN).is_unique()


class Weather(dy.Schema):
    """Grain: station, hour, kind."""

    station_id = text("station", key=True)
    hour = instant("UTC instant of the observation, to the nearest hour", key=True)
    temperature_c = measured("outdoor_c", "dry-bulb temperature", required=True)
    dew_point_c = measured("outdoor_c", "dew point")
    wind_m_s = measured("wind_m_s", "wind speed")
    kind = choice("weather_kind", "observed or a typical year", key=True)


class Checks(dy.Schema):
    """Grain: check on site."""

    GRAIN: ClassVar[list[str]] = ["unit_id", "flag", "checked_at", "circuit"]

    unit_id = text("unit", required=True)
    circuit = text("circuit; null is the whole unit")
    flag = choice("flag", "what was looked for", required=True)
    checked_at = instant("when", required=True)
    verdict = choice("verdict", "what was found", required=True)
    note = text("what the technician wrote")

    @dy.rule()
    def one_row_a_grain(cls) -> pl.Expr:
        return pl.struct(cls.GRAIN).is_unique()


TABLES: dict[str, type[dy.Schema]] = {
    "sites": Sites,
    "units": Units,
    "aliases": Aliases,
    "stations": Stations,
    "calls": Calls,
    "readings": Readings,
    "weather": Weather,
    "checks": Checks,
}
CHANNELS: tuple[str, ...] = tuple(
    name for name in Readings.column_names() if name not in ("unit_id", "circuit", "read_at")
)


def required_columns(table: str) -> list[str]:
    """Columns of an input table that every row must have."""
    return [name for name, column in TABLES[table].columns().items() if not column.nullable]


def grain(table: str) -> list[str]:
    """Columns that together name one row of an input table."""
    keys = [name for name, column in TABLES[table].columns().items() if column.primary_key]
    return getattr(TABLES[table], "GRAIN", keys)


def ordered_pairs(table: str) -> dict[str, tuple[str, str]]:
    """Named pairs of columns of which the first may not exceed the second."""
    return getattr(TABLES[table], "ORDERED", {})
