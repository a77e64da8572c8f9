"""How often repairs come back: by symptom, work, weather, time, place and person, on two clocks."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy import stats

from lowambient.plan.proportions import against_the_rest, exact_interval, shrunk_proportions
from lowambient.plan.rates import benjamini_hochberg, wilson_interval
from lowambient.plan.resampling import FEWEST_SITES, resampled_ratio, seed_of
from lowambient.plan.survival import kaplan_meier, mean_cumulative

Array = npt.NDArray[np.float64]

DAYS, COLD_HOURS = "days", "cold hours"

OTHER_WINDOWS = {DAYS: (7.0, 14.0, 30.0, 60.0, 90.0), COLD_HOURS: (25.0, 50.0, 100.0, 200.0, 400.0)}
"""Lengths of the recall window that are shown beside the one in force, because no standard sets it."""

FALSE_DISCOVERIES = 0.05
"""Share of false ones allowed among the groups said to differ (Benjamini & Hochberg 1995 use the same)."""

_SEASONS = dict(enumerate(3 * ["winter"] + 3 * ["spring"] + 3 * ["summer"] + 3 * ["autumn"]))
"""Meteorological seasons of the northern hemisphere, by months since December."""


@dataclass(frozen=True)
class _Clock:
    """One way to measure the recall window: name, threshold with its length, columns with times."""

    name: str
    threshold: str
    watched: str
    after: str

    def recalls(self, windows: pl.DataFrame, window: float, after: str | None = None) -> pl.DataFrame:
        """Calls on this clock with `observed` (its whole window was) and `back` (a callback came within it)."""
        return windows.filter(pl.col(self.watched).is_not_null()).with_columns(
            observed=pl.col(self.watched) >= window,
            back=(pl.col(after or self.after) <= window).fill_null(False),
        )


CLOCKS = (
    _Clock(DAYS, "recall_window_days", "watched_d", "callback_after_d"),
    _Clock(COLD_HOURS, "recall_cold_hours", "cold_watched_h", "cold_after_h"),
)


def callback_rates(windows: pl.DataFrame, thresholds: Mapping[str, float]) -> pl.DataFrame:
    """Callback rates of the fleet and of groups of calls, on the clocks `days` and `cold hours`.

    `windows`: grain index call, as the mart `callback_windows`. Result: grain clock, dimension, value. Columns:

    - `clock`, `window`: length of the recall window [d or h]; `dimension`: `fleet` (values `related` as defined, `any`
      whatever the symptom), `window` (other lengths), `symptom`, `work`, `weather band` (at opening), `month`,
      `season`, `site`, `unit kind`, `technician` (of the index call); `value`; `place`: order of values to show;
      `lower_c`, `upper_c`: edges of a weather band [degC], whose `value` says them in whole °F.
    - `calls`; `censored`: those whose window was cut short, whatever came before; `callbacks`: of the others, those
      that came back; `rate` = callbacks / (calls - censored) [-]; `lower`, `upper`: Wilson 95 %; `exact_lower`,
      `exact_upper`: Clopper-Pearson; `resampled_lower`, `resampled_upper` (dimensions `fleet` and `window`): whole
      sites with their units drawn anew, since callbacks of one unit are not independent; `shrunk_rate`: weighed with
      all groups of the dimension.
    - `p`: of the group being like all others; `adjusted_p`: Benjamini-Hochberg over the dimension; `differs`: adjusted
      p at most `FALSE_DISCOVERIES`.

    Groups with fewer than `least_group_calls` observed windows keep their counts and shrunk rate; the rest is null.
    """
    windows = windows.with_columns(_UNIT, **_DIMENSIONS, **_PLACES)
    found = [
        table
        for clock in CLOCKS
        for table in (
            *_fleet_rows(windows, clock, thresholds[clock.threshold]),
            *_group_rows(windows, clock, thresholds[clock.threshold], thresholds["least_group_calls"]),
        )
    ]
    if not found:
        return pl.DataFrame(schema=_SCHEMA)
    return _rounded(pl.concat(found, how="diagonal").join(_edges(windows), on=["dimension", "value"], how="left"))


def first_time_fix(windows: pl.DataFrame, thresholds: Mapping[str, float]) -> pl.DataFrame:
    """Share of complaints that one visit settled: no callback within the window and no return visit ordered.

    Grain: dimension (`fleet`, `symptom`, `work`, `technician`), value. First visits are index calls that are not
    callbacks themselves. `calls`, `censored` (window cut short), `fixed`, `rate` = fixed / (calls - censored), `lower`,
    `upper` (Wilson 95 %), null under `least_group_calls` observed windows.
    """
    clock, window = CLOCKS[0], thresholds["recall_window_days"]
    first_visits = windows.filter(~pl.col("is_callback")).with_columns(_UNIT, **_DIMENSIONS, fleet=pl.lit("all"))
    visits = clock.recalls(first_visits, window).with_columns(
        back=pl.col("back") | (pl.col("return_after_d") <= window).fill_null(False)
    )
    counts = pl.concat(
        _totals(_cells(visits, name)).with_columns(dimension=pl.lit(name))
        for name in ("fleet", "symptom", "work", "technician")
    ).with_columns(fixed=pl.col("calls") - pl.col("censored") - pl.col("callbacks"))
    observed, _ = _observed(counts)
    fixed = counts["fixed"].cast(pl.Float64).to_numpy()
    lower, upper = wilson_interval(fixed, observed)
    shown = observed >= thresholds["least_group_calls"]
    return (
        counts.select("dimension", "value", "calls", "censored", "fixed")
        .with_columns(
            _column("rate", _share(fixed, observed), shown),
            _column("lower", lower, shown),
            _column("upper", upper, shown),
        )
        .sort("dimension", "value")
    )


def recall_cells(windows: pl.DataFrame, thresholds: Mapping[str, float]) -> pl.DataFrame:
    """Counts behind the rates, by symptom and length of the recall window, so that a page can add them up anew.

    Grain: clock, window, dimension, value, symptom. `window` [d or cold h]: the length in force and `OTHER_WINDOWS`;
    dimensions as in `callback_rates`, with `fleet` (value `all`) for all calls and without `symptom`, `season` and
    `site` (there are too many sites); `place`: order of values to show; `calls`; `censored`: with a window cut short;
    `callbacks`: of the others, came back.
    """
    windows = windows.with_columns(_UNIT, **_DIMENSIONS, **_PLACES, fleet=pl.lit("all"))
    dimensions = [name for name in ("fleet", *_DIMENSIONS) if name not in ("symptom", "season", "site")]
    keys = ["clock", "window", "dimension", "value", "symptom"]
    columns = [*keys, "place", "calls", "censored", "callbacks"]
    parts = [
        _counted(clock.recalls(windows, length), dimension, "symptom").with_columns(
            clock=pl.lit(clock.name), window=pl.lit(length), dimension=pl.lit(dimension)
        )
        for clock in CLOCKS
        for length in sorted({*OTHER_WINDOWS[clock.name], thresholds[clock.threshold]})
        for dimension in dimensions
    ]
    return pl.concat(parts).select(columns).sort(keys)


def time_to_callback(windows: pl.DataFrame) -> pl.DataFrame:
    """Share of calls that have come back by each time since their end, calls watched for less than that included.

    Grain: clock, time. `time` [d or cold h]; `at_risk`: calls still watched and not back; `share` (Kaplan-Meier),
    `lower`, `upper` (95 %, as if calls were independent). Null beyond the longest time watched.
    """
    grids = {DAYS: np.arange(1.0, 181.0), COLD_HOURS: np.arange(5.0, 505.0, 5.0)}
    tables = []
    for clock in CLOCKS:
        calls = windows.filter(pl.col(clock.watched).is_not_null())
        durations = calls.select(pl.coalesce(clock.after, clock.watched).cast(pl.Float64)).to_series().to_numpy()
        times = grids[clock.name]
        share, lower, upper = kaplan_meier(durations, calls[clock.after].is_not_null().to_numpy(), times)
        tables.append(
            pl.DataFrame({"clock": [clock.name] * len(times), "time": times}).with_columns(
                pl.Series("at_risk", len(durations) - np.searchsorted(np.sort(durations), times), dtype=pl.Int64),
                *(
                    pl.Series(name, values, nan_to_null=True).round(4)
                    for name, values in (("share", share), ("lower", lower), ("upper", upper))
                ),
            )
        )
    return pl.concat(tables)


def calls_by_service_age(calls: pl.DataFrame, service: pl.DataFrame, units: pl.DataFrame) -> pl.DataFrame:
    """Mean number of service calls a unit has had by each day since it was first watched, by unit kind.

    `calls`: unit_id, opened_at; `service`: unit_id, served_from, served_to; `units`: unit_id, duty. Grain: kind, time,
    at 100 even steps up to the longest watched. `time` [d]; `at_risk`: units watched so long; `mean`: calls a unit
    (mean cumulative function); `lower`, `upper`: 95 %, robust, not below 0. Bending up means wear, or a cause not
    cured.
    """
    watched = service.join(units.select("unit_id", kind=_text("duty")), on="unit_id").select(
        "unit_id", "kind", "served_from", watched_d=_days_between("served_from", "served_to")
    )
    watched = watched.filter(pl.col("watched_d") > 0).sort("kind", "unit_id")
    came = (
        calls.select("unit_id", "opened_at")
        .join(watched, on="unit_id")
        .with_columns(after_d=_days_between("served_from", "opened_at"))
    )
    came = came.filter(pl.col("after_d").is_between(0, pl.col("watched_d"))).sort("after_d", "unit_id")
    tables = []
    for kind in watched["kind"].unique(maintain_order=True):
        mine = watched.filter(kind=kind).with_row_index("number")
        numbers = came.join(mine.select("unit_id", "number"), on="unit_id", maintain_order="left")
        ends = mine["watched_d"].to_numpy()
        times = np.linspace(ends.max() / 100, ends.max(), 100)
        mean, error = mean_cumulative(
            numbers["number"].cast(pl.Int64).to_numpy(), numbers["after_d"].to_numpy(), ends, times
        )
        half = stats.norm.ppf(0.975) * error
        values = {"time": times, "mean": mean, "lower": np.maximum(mean - half, 0), "upper": mean + half}
        tables.append(
            pl.DataFrame({"kind": [kind] * len(times)}).with_columns(
                pl.Series("at_risk", len(ends) - np.searchsorted(np.sort(ends), times), dtype=pl.Int64),
                *(pl.Series(name, found, nan_to_null=True).round(4) for name, found in values.items()),
            )
        )
    schema: dict[str, type[pl.DataType]] = {"kind": pl.String, "time": pl.Float64, "at_risk": pl.Int64}
    schema |= dict.fromkeys(("mean", "lower", "upper"), pl.Float64)
    return pl.concat(tables).select(list(schema)) if tables else pl.DataFrame(schema=schema)


def _days_between(first: str, last: str) -> pl.Expr:
    return (pl.col(last) - pl.col(first)).dt.total_microseconds() / 86_400_000_000


def _text(column: str, missing: str = "not recorded") -> pl.Expr:
    return pl.col(column).cast(pl.String).fill_null(missing)


def _band() -> pl.Expr:
    """A band of outdoor temperature as people say it in the trade, `35 to 40 °F`."""
    lower, upper = ((pl.col(name) * 1.8 + 32).round(0).cast(pl.Int64) for name in ("band_from_c", "band_to_c"))
    return pl.format("{} to {} °F", lower, upper).fill_null("no weather")


_UNIT = (pl.col("unit_id").rank("dense").cast(pl.Int64) - 1).alias("unit")
_DIMENSIONS: dict[str, pl.Expr] = {
    "symptom": _text("symptom"),
    "work": _text("work", "not stated"),
    "weather band": _band(),
    "month": pl.col("opened_at").dt.strftime("%Y-%m"),
    "season": (pl.col("opened_at").dt.month() % 12).cast(pl.Int64).replace_strict(_SEASONS, return_dtype=pl.String),
    "site": _text("site_id"),
    "unit kind": _text("duty"),
    "technician": _text("technician"),
}
_PLACES: dict[str, pl.Expr] = {
    "place of weather band": pl.col("band_from_c").cast(pl.Float64).fill_null(999.0),
    "place of season": (pl.col("opened_at").dt.month() % 12 // 3).cast(pl.Float64),
}


def _group_rows(windows: pl.DataFrame, clock: _Clock, window: float, least: float) -> Iterator[pl.DataFrame]:
    recalls = clock.recalls(windows, window)
    for dimension in _DIMENSIONS if recalls.height else ():
        cells = _cells(recalls, dimension)
        counts = _totals(cells)
        observed, callbacks = _observed(counts)
        shown = observed >= least
        p = np.where(shown, _differences(cells, counts), np.nan)
        adjusted = np.full(len(p), np.nan)
        adjusted[~np.isnan(p)] = benjamini_hochberg(p[~np.isnan(p)])
        yield _with_rates(counts, shown).with_columns(
            pl.lit(clock.name).alias("clock"),
            pl.lit(window).alias("window"),
            pl.lit(dimension).alias("dimension"),
            pl.Series("place", np.arange(counts.height), dtype=pl.Int64),
            _column("shrunk_rate", shrunk_proportions(callbacks, observed), observed >= 0),
            _column("p", p, shown),
            _column("adjusted_p", adjusted, shown),
            pl.Series("differs", adjusted <= FALSE_DISCOVERIES).set(pl.Series(np.isnan(adjusted)), None),
        )


def _fleet_rows(windows: pl.DataFrame, clock: _Clock, window: float) -> Iterator[pl.DataFrame]:
    """The whole fleet: as defined, whatever the symptom (days only), and for other lengths of the window."""
    recalls = [("fleet", "related", window, clock.recalls(windows, window))]
    if clock.name == DAYS:
        recalls.append(("fleet", "any", window, clock.recalls(windows, window, "any_after_d")))
    lengths = sorted({*OTHER_WINDOWS[clock.name], window})
    unit = "d" if clock.name == DAYS else "h"
    recalls += [("window", f"{length:g} {unit}", length, clock.recalls(windows, length)) for length in lengths]
    for place, (dimension, value, length, calls) in enumerate(recalls):
        cells = _cells(calls.with_columns(fleet=pl.lit(value)), "fleet")
        if cells.is_empty():
            continue
        lower, upper = _resampled(cells)
        yield _with_rates(_totals(cells), np.ones(1, dtype=bool)).with_columns(
            pl.lit(clock.name).alias("clock"),
            pl.lit(length).alias("window"),
            pl.lit(dimension).alias("dimension"),
            pl.lit(place, dtype=pl.Int64).alias("place"),
            pl.col("rate").alias("shrunk_rate"),
            pl.lit(lower).fill_nan(None).alias("resampled_lower"),
            pl.lit(upper).fill_nan(None).alias("resampled_upper"),
        )


def _edges(windows: pl.DataFrame) -> pl.DataFrame:
    """Edges of each weather band [degC]; grain: dimension, value."""
    bands = windows.filter(pl.col("band_from_c").is_not_null()).group_by(pl.col("weather band").alias("value"))
    edges = bands.agg(pl.col("band_from_c").min().alias("lower_c"), pl.col("band_to_c").max().alias("upper_c"))
    return edges.with_columns(dimension=pl.lit("weather band"))


def _cells(recalls: pl.DataFrame, dimension: str) -> pl.DataFrame:
    """Calls, cut windows and callbacks of each value and unit."""
    return _counted(recalls, dimension, "unit", pl.col("site_id").first())


def _counted(recalls: pl.DataFrame, dimension: str, within: str, *also: pl.Expr) -> pl.DataFrame:
    """Calls, cut windows and callbacks of each value and `within`; callbacks are counted in whole windows only."""
    place = f"place of {dimension}"
    return (
        recalls.group_by(pl.col(dimension).alias("value"), within)
        .agg(
            *also,
            pl.len().cast(pl.Int64).alias("calls"),
            (~pl.col("observed")).sum().cast(pl.Int64).alias("censored"),
            (pl.col("observed") & pl.col("back")).sum().cast(pl.Int64).alias("callbacks"),
            (pl.col(place).first() if place in recalls.columns else pl.lit(0.0)).alias("place"),
        )
        .sort("value", within)
    )


def _totals(cells: pl.DataFrame) -> pl.DataFrame:
    totals = cells.group_by("value").agg(pl.col("calls", "censored", "callbacks").sum(), pl.col("place").first())
    return totals.sort("place", "value")


def _observed(counts: pl.DataFrame) -> tuple[Array, Array]:
    """Calls whose whole window was observed, and how many of them came back."""
    observed = (counts["calls"] - counts["censored"]).cast(pl.Float64).to_numpy()
    return observed, counts["callbacks"].cast(pl.Float64).to_numpy()


def _with_rates(counts: pl.DataFrame, shown: npt.NDArray[np.bool_]) -> pl.DataFrame:
    observed, callbacks = _observed(counts)
    lower, upper = wilson_interval(callbacks, observed)
    exact_lower, exact_upper = exact_interval(callbacks, observed)
    return counts.with_columns(
        _column("rate", _share(callbacks, observed), shown),
        _column("lower", lower, shown),
        _column("upper", upper, shown),
        _column("exact_lower", exact_lower, shown),
        _column("exact_upper", exact_upper, shown),
    )


def _differences(cells: pl.DataFrame, counts: pl.DataFrame) -> Array:
    """Two-sided p of each group against the rest, in the order of `counts`."""
    numbered = cells.join(counts.select("value").with_row_index("group"), on="value", maintain_order="left")
    observed, callbacks = _observed(numbered)
    if not observed.any():
        return np.full(counts.height, np.nan)
    group, unit = (numbered[name].cast(pl.Int64).to_numpy() for name in ("group", "unit"))
    return against_the_rest(group, unit, callbacks, observed)


def _resampled(cells: pl.DataFrame) -> tuple[float, float]:
    whole = "site_id" if cells["site_id"].n_unique() >= FEWEST_SITES else "unit"
    clusters = cells.group_by(whole).agg(pl.col("calls", "censored", "callbacks").sum()).sort(whole)
    observed, callbacks = _observed(clusters)
    if not observed.any():
        return float("nan"), float("nan")
    lower, upper = resampled_ratio(callbacks[:, None], observed[:, None], seed_of(clusters))
    return float(lower[0]), float(upper[0])


def _share(part: Array, whole: Array) -> Array:
    return np.asarray(np.divide(part, whole, out=np.full(len(whole), np.nan), where=whole > 0))


def _column(name: str, values: Array, shown: npt.NDArray[np.bool_]) -> pl.Series:
    """A column that is null where a group is too small to be shown, or where nothing can be said."""
    return pl.Series(name, np.where(shown, values, np.nan), dtype=pl.Float64, nan_to_null=True)


_SCHEMA: dict[str, type[pl.DataType]] = {
    "clock": pl.String,
    "window": pl.Float64,
    "dimension": pl.String,
    "value": pl.String,
    "lower_c": pl.Float64,
    "upper_c": pl.Float64,
    "place": pl.Int64,
    "calls": pl.Int64,
    "censored": pl.Int64,
    "callbacks": pl.Int64,
    "rate": pl.Float64,
    "lower": pl.Float64,
    "upper": pl.Float64,
    "shrunk_rate": pl.Float64,
    "exact_lower": pl.Float64,
    "exact_upper": pl.Float64,
    "resampled_lower": pl.Float64,
    "resampled_upper": pl.Float64,
    "p": pl.Float64,
    "adjusted_p": pl.Float64,
    "differs": pl.Boolean,
}


def _rounded(found: pl.DataFrame) -> pl.DataFrame:
    """Columns of the result in order, numbers to six digits."""
    missing = [pl.lit(None, dtype=kind).alias(name) for name, kind in _SCHEMA.items() if name not in found.columns]
    return (
        found.with_columns(missing)
        .select(pl.col(name).cast(kind) for name, kind in _SCHEMA.items())
        .with_columns(pl.col(pl.Float64).round(6))
        .sort("clock", "dimension", "place", "value", descending=[True, False, False, False])
    )
