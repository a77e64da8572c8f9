"""One unit's tables as the data of its charts: the clock of the site, the reader's units, saturation temperatures."""

from collections.abc import Mapping
from typing import Any

import numpy as np
import polars as pl

from lowambient.refrigerant import saturation
from lowambient.report import unit_charts
from lowambient.report.charts import Spec
from lowambient.report.unit_charts import HEAD, HEAD_KPA, OUTDOORS, SUCTION, SUCTION_KPA
from lowambient.report.unit_history import history
from lowambient.report.unit_place import Place, Tables, circuit_name

CIRCUITS_SHOWN = 6
FEWEST_MINIMA = 3
"""Trips from which a count by pressure says more than a list (judgement)."""
GAP_BUCKETS = 4
"""A line is broken where so many buckets in a row are empty."""
SWITCHES_ON_LOG = {"lp cut-out": "LP cut-out", "lp reset": "LP reset"}


def drawings(part: Tables, place: Place) -> dict[str, Any]:
    """What the template draws: `chart_history`, `chart_switches`, `chart_minima`, and `circuits`, one dict each."""
    logged = part["log_days"].select("circuit").unique().sort("circuit")["circuit"].to_list()
    return {
        "chart_history": history(part, place),
        "chart_switches": switches(part["set_points"], place),
        "chart_minima": minima(part["trips"], part["set_points"], place),
        "circuits": [_circuit(part, place, circuit) for circuit in logged[:CIRCUITS_SHOWN]],
        "circuits_in_all": len(logged),
    }


def _circuit(part: Tables, place: Place, circuit: str | None) -> dict[str, Any]:
    mine = pl.col("circuit").eq_missing(pl.lit(circuit, pl.String))
    windows = part["shown_windows"].filter(mine).sort("window_no")
    readings = part["shown_readings"].filter(mine)
    taps = set(readings["channel"].unique())
    logs = part["log_days"].filter(mine)
    return {
        "circuit": circuit,
        "log": circuit_log({name: part[name].filter(mine) for name in _LOG}, windows, place),
        "steady": steady(part["steady_points"].filter(mine), part["head_pressure"].filter(mine), place),
        "windows": windows.height,
        "days": logs.height,
        "first_at": logs["first_at"].min(),
        "last_at": logs["last_at"].max(),
        "from_station": "station_c" in taps,
        "without_outdoors": not taps & {"station_c", "outdoor_c"},
        "tap": next((tap for tap in ("liquid_kpa", "discharge_kpa") if tap in taps), None),
        "without_suction": "suction_kpa" not in taps,
    }


_LOG = ("shown_readings", "trips", "lockouts", "set_points")


# History


# Logs


def circuit_log(mine: Tables, windows: pl.DataFrame, place: Place) -> Spec | None:
    """Pressures of one circuit over the windows of its log, with trips, lockouts and the LP switch."""
    given = [(_title(window, place), _window(mine, window, place)) for window in windows.iter_rows(named=True)]
    shown = [(title, data) for title, data in given if data["points"].height]
    is_temperature = place.refrigerant is not None
    unit = place.here.units.temperature_unit if is_temperature else place.here.units.pressure_unit
    return unit_charts.circuit_log(shown, unit, is_temperature=is_temperature)


def _title(window: Mapping[str, Any], place: Place) -> list[str]:
    here = place.here
    first, last = (window[end].astimezone(here.zone).strftime("%Y-%m-%d") for end in ("from_at", "to_at"))
    days = first if first == last else f"{first} to {last}"
    events = window["events"]
    told = [f"{events} trips and lockouts" if events else "no trip"]
    if window["coldest_c"] is not None:
        told.append(f"coldest {here.text(window['coldest_c'], 'degC')}{here.unit_text('degC')}")
    return [f"{'The whole log, ' if window['window_no'] == 0 else ''}{days}", ", ".join(told)]


def _window(mine: Tables, window: Mapping[str, Any], place: Place) -> dict[str, pl.DataFrame]:
    readings = mine["shown_readings"].filter(pl.col("window_no") == window["window_no"])
    within = (window["from_at"], window["to_at"])
    trips = mine["trips"].filter(pl.col("tripped_at").is_between(*within))
    lockouts = mine["lockouts"].filter((pl.col("started_at") <= within[1]) & (pl.col("ended_at") >= within[0]))
    bucket_s = max(1.0, (within[1] - within[0]).total_seconds() / max(1, window["buckets"] or 1))
    return {
        "points": _points(readings, place, bucket_s),
        "trips": trips.select(
            place.clock("tripped_at").alias("at"),
            _suction_shown(trips["minimum_kpa"], place).alias("value"),
            "kind",
        ),
        "lockouts": lockouts.select(
            pl.max_horizontal("started_at", pl.lit(within[0])).pipe(_on_clock, place).alias("from"),
            pl.min_horizontal("ended_at", pl.lit(within[1])).pipe(_on_clock, place).alias("to"),
            "kind",
            "ended_by",
        ),
        "limits": _switch_lines(mine["set_points"], place),
    }


def _on_clock(instant: pl.Expr, place: Place) -> pl.Expr:
    return instant.dt.convert_time_zone(place.here.zone.key).dt.replace_time_zone(None)


def _points(readings: pl.DataFrame, place: Place, bucket_s: float) -> pl.DataFrame:
    """Points of the lines (at, value, line, segment), in the order of line and time."""
    channels = set(readings["channel"].unique())
    head = "liquid_kpa" if "liquid_kpa" in channels else "discharge_kpa"
    parts = [_line(readings, "suction_kpa", place), _line(readings, head, place)]
    if place.refrigerant is not None:
        outdoors = "outdoor_c" if "outdoor_c" in channels else "station_c"
        parts.append(_line(readings, outdoors, place))
    lines = pl.concat(parts)
    gap = pl.duration(seconds=int(max(GAP_BUCKETS * bucket_s, 2 * 3600 if bucket_s > 1800 else 600)))
    hourly = pl.duration(hours=3)
    limit = pl.when(pl.col("line") == OUTDOORS).then(pl.max_horizontal(gap, hourly)).otherwise(gap)
    breaks = (pl.col("at").diff() > limit) | (pl.col("line") != pl.col("line").shift())
    return lines.with_columns(breaks.fill_null(value=False).cum_sum().cast(pl.Int64).alias("segment"))


def _line(readings: pl.DataFrame, channel: str, place: Place) -> pl.DataFrame:
    frame = readings.filter(pl.col("channel") == channel).sort("read_at")
    if channel in ("outdoor_c", "station_c"):
        name, value = OUTDOORS, frame.select(place.shown("value", "degC")).to_series()
    elif channel == "suction_kpa":
        name = SUCTION if place.refrigerant else SUCTION_KPA
        value = _suction_shown(frame["value"], place)
    else:
        name = HEAD if place.refrigerant else HEAD_KPA
        value = _head_shown(frame["value"], channel, place)
    return (
        frame.select(place.clock("read_at").alias("at"), value.alias("value"), pl.lit(name).alias("line"))
        .filter(pl.col("value").is_not_null())
        .cast({"value": pl.Float64})
    )


def _suction_shown(kpa: pl.Series, place: Place) -> pl.Series:
    if place.refrigerant is None:
        return pl.DataFrame({"kpa": kpa}).select(place.shown("kpa", "kPa")).to_series()
    dew_c = saturation.dew_c(place.refrigerant, kpa)
    return pl.DataFrame({"dew_c": dew_c}).select(place.shown("dew_c", "degC")).to_series()


def _head_shown(kpa: pl.Series, tap: str, place: Place) -> pl.Series:
    """Bubble temperature at a liquid tap, dew temperature at a discharge tap."""
    if place.refrigerant is None:
        return pl.DataFrame({"kpa": kpa}).select(place.shown("kpa", "kPa")).to_series()
    at = saturation.bubble_c if tap == "liquid_kpa" else saturation.dew_c
    return pl.DataFrame({"c": at(place.refrigerant, kpa)}).select(place.shown("c", "degC")).to_series()


def _switch_lines(found: pl.DataFrame, place: Place) -> pl.DataFrame:
    """The LP switch on the log: as found, else as listed; a reset as bubble, a cut-out as dew temperature."""
    rows = []
    for row in found.filter(pl.col("switch").is_in(list(SWITCHES_ON_LOG))).iter_rows(named=True):
        kpa, how = (row["estimate_kpa"], "found") if row["estimate_kpa"] is not None else (row["listed_kpa"], "listed")
        if kpa is not None:
            rows.append((_switch_c(row["switch"], kpa, place), f"{SWITCHES_ON_LOG[row['switch']]}, {how}"))
    frame = pl.DataFrame(rows, schema={"value": pl.Float64, "what": pl.String}, orient="row")
    unit = "kPa" if place.refrigerant is None else "degC"
    return frame.filter(pl.col("value").is_not_null()).with_columns(place.shown("value", unit))


def _switch_c(switch: str, kpa: float, place: Place) -> float | None:
    if place.refrigerant is None:
        return kpa
    at = saturation.dew_c if switch == "lp cut-out" else saturation.bubble_c
    value = float(at(place.refrigerant, np.array([kpa]))[0])
    return value if np.isfinite(value) else None


# Steady running and switches


def steady(points: pl.DataFrame, periods: pl.DataFrame, place: Place) -> Spec | None:
    """Condensing against outdoor temperature, each point by how head pressure was held at its time."""
    behaviour = pl.lit("cannot tell")
    for row in periods.iter_rows(named=True):
        behaviour = (
            pl.when(pl.col("read_at").is_between(row["period_start"], row["period_end"]))
            .then(pl.lit(row["behaviour"]))
            .otherwise(behaviour)
        )
    shown = points.sort("read_at").select(
        place.shown("outdoor_c", "degC").alias("outdoor"),
        place.shown("condensing_c", "degC").alias("condensing"),
        behaviour.alias("behaviour"),
    )
    return unit_charts.condensing(shown, place.here.units.temperature_unit)


def switches(found: pl.DataFrame, place: Place) -> Spec | None:
    """Switching pressures found and listed, of every circuit."""
    known = found.filter(pl.col("estimate_kpa").is_not_null() | pl.col("listed_kpa").is_not_null())
    several = known["circuit"].n_unique() > 1
    name = pl.concat_str(pl.col("circuit").fill_null("unit").str.slice(0, 12), pl.lit(": "), pl.col("switch"))
    shown = known.sort("circuit", "switch").select(
        (name if several else pl.col("switch")).alias("switch"),
        *(
            place.shown(column, "kPa").alias(to)
            for column, to in (
                ("estimate_kpa", "found"),
                ("lower_kpa", "lower"),
                ("upper_kpa", "upper"),
                ("listed_kpa", "listed"),
            )
        ),
        "events",
    )
    return unit_charts.set_points(shown, place.here.units.pressure_unit)


def minima(trips: pl.DataFrame, found: pl.DataFrame, place: Place) -> Spec | None:
    """Lowest suction pressures of low-pressure trips, counted by 5 psi or 25 kPa."""
    lowest = trips.filter((pl.col("kind") == "low pressure") & pl.col("minimum_kpa").is_not_null())
    if lowest.height < FEWEST_MINIMA:
        return None
    width = 5.0 if place.here.units.system == "us" else 25.0
    low = (place.shown("minimum_kpa", "kPa", 3) / width).floor() * width
    bins = lowest.group_by(low.alias("from")).agg(pl.len().cast(pl.Int64).alias("trips")).sort("from")
    cut_outs = found.filter((pl.col("switch") == "lp cut-out") & pl.col("estimate_kpa").is_not_null()).select(
        place.shown("estimate_kpa", "kPa").alias("value"),
        pl.concat_str(pl.lit("LP cut-out found, "), circuit_name()).alias("what"),
    )
    counted = bins.select("from", (pl.col("from") + width).alias("to"), "trips")
    return unit_charts.trip_minima(counted, cut_outs, place.here.units.pressure_unit)
