"""One unit's tables as the data of its charts: the clock of the site, the reader's units, saturation temperatures."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from lowambient.refrigerant import saturation
from lowambient.report import unit_charts
from lowambient.report.charts import Spec
from lowambient.report.figures import Figures
from lowambient.report.unit_charts import HEAD, HEAD_KPA, OUTDOORS, SUCTION, SUCTION_KPA

CIRCUITS_SHOWN = 6
LANE_SYMPTOMS = 8
FEWEST_MINIMA = 3
"""Trips from which a count by pressure says more than a list (judgement)."""
GAP_BUCKETS = 4
"""A line is broken where so many buckets in a row are empty."""
COMPLAINT_CHARACTERS = 6000
"""Of all complaints together, in the chart of calls."""
LOW_PRESSURE = "low-pressure trip"
SWITCHES_ON_LOG = {"lp cut-out": "LP cut-out", "lp reset": "LP reset"}

Tables = Mapping[str, pl.DataFrame]


@dataclass(frozen=True)
class Place:
    """A unit as listed, its site, its refrigerant (null without saturation table), and how its numbers are shown."""

    here: Figures
    refrigerant: str | None
    unit: Mapping[str, Any]
    site: Mapping[str, Any]

    def clock(self, column: str) -> pl.Expr:
        """An instant on the clock of the site, without zone."""
        return pl.col(column).dt.convert_time_zone(self.here.zone.key).dt.replace_time_zone(None)

    def shown(self, column: str, unit: str, digits: int = 1) -> pl.Expr:
        """A quantity in the reader's unit; the conversion is a straight line."""
        zero = self.here.shown(0.0, unit)
        slope = self.here.shown(1.0, unit) - zero
        return (pl.col(column) * slope + zero).round(digits)


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


def history(part: Tables, place: Place) -> Spec | None:
    """Calls on the weather, and lanes of what was said, done, judged and logged."""
    calls, lanes = _calls(part, place), _lanes(part, place)
    if lanes.is_empty():
        return None
    days = part["days"].sort("day")
    first, last = lanes["from"].min(), pl.concat([lanes["from"], lanes["to"].drop_nulls()]).max()
    days = days.select(
        pl.col("day").dt.replace_time_zone(None).alias("at"), place.shown("coldest_c", "degC").alias("coldest")
    ).filter(pl.col("at").is_between(pl.lit(first).dt.offset_by("-30d"), pl.lit(last).dt.offset_by("30d")))
    data = {"days": _without_long_gaps(days), "calls": calls, "lanes": lanes, "limits": _ambients(part, place)}
    return unit_charts.history(data, place.here.units.temperature_unit)


def _without_long_gaps(days: pl.DataFrame) -> pl.DataFrame:
    """Every day of the span, null where there was no weather, so that a line breaks there."""
    if days.is_empty():
        return days
    span = days.select(pl.datetime_range(pl.col("at").min(), pl.col("at").max(), "1d", time_unit="us").alias("at"))
    return span.join(days, on="at", how="left").sort("at")


def _ambients(part: Tables, place: Place) -> pl.DataFrame:
    rows = [
        (limits[column], what)
        for limits in part["unit_limits"].head(1).iter_rows(named=True)
        for column, what in (
            ("starve_ambient_c", "below this it can trip"),
            ("reset_ambient_c", "below this a trip stays out"),
        )
        if limits[column] is not None
    ]
    frame = pl.DataFrame(rows, schema={"value": pl.Float64, "what": pl.String}, orient="row")
    return frame.with_columns(place.shown("value", "degC"))


def _calls(part: Tables, place: Place) -> pl.DataFrame:
    """Complaints with the coldest hour before them; those without weather, and planned visits, stand in the lanes."""
    notes = part["call_notes"].select("call_id", "complaint")
    calls = part["calls"].join(notes, on="call_id", how="left").sort("opened_at", "call_id")
    coldest = pl.coalesce("outdoor_min_c", "outdoor_c").alias("coldest_c")
    return (
        calls.with_columns(coldest)
        .filter(pl.col("coldest_c").is_not_null() & (pl.col("symptom") != "planned"))
        .select(
            place.clock("opened_at").alias("at"),
            place.shown("coldest_c", "degC").alias("coldest"),
            pl.when(pl.col("symptom") == LOW_PRESSURE)
            .then(pl.lit(LOW_PRESSURE))
            .otherwise(pl.lit("other complaint"))
            .alias("kind"),
            pl.col("call_id").str.slice(0, 40).alias("call"),
            "symptom",
            pl.col("complaint").str.slice(0, min(80, COMPLAINT_CHARACTERS // max(1, calls.height))),
        )
    )


def _lanes(part: Tables, place: Place) -> pl.DataFrame:
    """Rows of lanes in the order shown: lane, from, to (null for a point), what, kind."""
    parts = [_symptom_lanes(part), _work_lanes(part), _flag_lanes(part), _head_lanes(part), _log_lanes(part)]
    return pl.concat(parts).with_columns(place.clock("from"), place.clock("to"))


_LANE: dict[str, pl.DataType] = {
    "lane": pl.String(),
    "from": pl.Datetime("us", "UTC"),
    "to": pl.Datetime("us", "UTC"),
    "what": pl.String(),
    "kind": pl.String(),
}


def _lane(frame: pl.DataFrame, **columns: pl.Expr) -> pl.DataFrame:
    filled = {name: columns.get(name, pl.lit(None, kind)) for name, kind in _LANE.items()}
    return frame.select(**filled).cast(pl.Schema(_LANE))


def _symptom_lanes(part: Tables) -> pl.DataFrame:
    calls = part["calls"].sort("opened_at", "call_id")
    counts = (
        calls.group_by("symptom")
        .len()
        .sort(pl.col("symptom") != LOW_PRESSURE, -pl.col("len").cast(pl.Int64), "symptom")
    )
    kept = counts["symptom"].head(LANE_SYMPTOMS).to_list()
    symptom = pl.when(pl.col("symptom").is_in(kept)).then(pl.col("symptom")).otherwise(pl.lit("other symptoms"))
    order = {name: at for at, name in enumerate([*kept, "other symptoms"])}
    is_low = pl.col("symptom") == LOW_PRESSURE
    lanes = _lane(
        calls,
        lane=symptom,
        **{"from": pl.col("opened_at")},
        what=pl.col("call_id").str.slice(0, 40),
        kind=pl.when(is_low).then(pl.lit("low-pressure call")).otherwise(pl.lit("call")),
    )
    return lanes.sort(pl.col("lane").replace_strict(order, return_dtype=pl.Int64), "from", maintain_order=True)


def _work_lanes(part: Tables) -> pl.DataFrame:
    stated = part["call_statements"].sort("statement", "opened_at", "call_id")
    return _lane(
        stated,
        lane=pl.lit("note: ") + pl.col("statement"),
        **{"from": pl.col("opened_at")},
        what=pl.col("call_id").str.slice(0, 40),
        kind=pl.lit("work"),
    )


def _flag_lanes(part: Tables) -> pl.DataFrame:
    flags = part["flags"].filter(pl.col("raised") & pl.col("first_seen").is_not_null())
    return _lane(
        flags.sort("probability", "flag", descending=[True, False]),
        lane=pl.lit("flag: ") + pl.col("flag"),
        **{"from": pl.col("first_seen"), "to": pl.coalesce("last_seen", "first_seen")},
        what=_circuit_name(),
        kind=pl.lit("flag"),
    )


def _head_lanes(part: Tables) -> pl.DataFrame:
    periods = part["head_pressure"].filter(pl.col("behaviour") != "cannot tell").sort("circuit", "period_start")
    return _lane(
        periods,
        lane=pl.lit("head: ") + pl.col("behaviour"),
        **{"from": pl.col("period_start"), "to": pl.col("period_end")},
        what=_circuit_name(),
        kind=pl.lit("head"),
    )


def _log_lanes(part: Tables) -> pl.DataFrame:
    """Spans of days in a row with readings."""
    days = part["log_days"].sort("circuit", "day")
    begins = (pl.col("day").diff() > pl.duration(days=1)).fill_null(value=True)
    spans = (
        days.with_columns(begins.cum_sum().over("circuit").alias("span"))
        .group_by("circuit", "span", maintain_order=True)
        .agg(pl.col("first_at").min(), pl.col("last_at").max())
    )
    return _lane(
        spans,
        lane=pl.concat_str(pl.lit("logged, "), _circuit_name()),
        **{"from": pl.col("first_at"), "to": pl.col("last_at")},
        what=_circuit_name(),
        kind=pl.lit("log"),
    )


def _circuit_name() -> pl.Expr:
    named = pl.concat_str(pl.lit("circuit "), pl.col("circuit").str.slice(0, 20))
    return pl.when(pl.col("circuit").is_null()).then(pl.lit("whole unit")).otherwise(named)


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
        pl.concat_str(pl.lit("LP cut-out found, "), _circuit_name()).alias("what"),
    )
    counted = bins.select("from", (pl.col("from") + width).alias("to"), "trips")
    return unit_charts.trip_minima(counted, cut_outs, place.here.units.pressure_unit)
