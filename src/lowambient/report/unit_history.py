"""One unit over the years, as the data of a chart: calls on the cold of their day, lanes of what was known when."""

import polars as pl

from lowambient.report import unit_charts
from lowambient.report.charts import Spec
from lowambient.report.unit_place import Place, Tables, circuit_name

LANE_SYMPTOMS = 8
COMPLAINT_CHARACTERS = 6000
"""Of all complaints together, in the chart of calls."""
LOW_PRESSURE = "low-pressure trip"


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
        what=circuit_name(),
        kind=pl.lit("flag"),
    )


def _head_lanes(part: Tables) -> pl.DataFrame:
    periods = part["head_pressure"].filter(pl.col("behaviour") != "cannot tell").sort("circuit", "period_start")
    return _lane(
        periods,
        lane=pl.lit("head: ") + pl.col("behaviour"),
        **{"from": pl.col("period_start"), "to": pl.col("period_end")},
        what=circuit_name(),
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
        lane=pl.concat_str(pl.lit("logged, "), circuit_name()),
        **{"from": pl.col("first_at"), "to": pl.col("last_at")},
        what=circuit_name(),
        kind=pl.lit("log"),
    )
