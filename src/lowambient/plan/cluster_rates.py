"""Clusters of calls with their callbacks, and how much oftener each comes in the cold than in mild weather."""

from collections.abc import Mapping

import numpy as np
import polars as pl

from lowambient.plan.proportions import against_the_rest
from lowambient.plan.rates import benjamini_hochberg, rate_ratio, wilson_interval
from lowambient.plan.resampling import FEWEST_SITES, resampled_ratio, seed_of

FALSE_DISCOVERIES = 0.05
"""Share of false ones allowed among the clusters said to differ (Benjamini & Hochberg 1995 use the same)."""


def cluster_table(
    clusters: pl.DataFrame, calls: pl.DataFrame, hours: pl.DataFrame, thresholds: Mapping[str, float]
) -> pl.DataFrame:
    """The table `clusters`, grain cluster.

    `clusters`: cluster, name, stability. `calls`, grain service call: call_id, unit_id, site_id, cluster,
    words_cluster, outdoor_c [degC], is_callback, is_cold, is_mild. `hours`, grain unit: unit_id, cold_hours,
    mild_hours [h].

    calls, callbacks and median_outdoor_c describe the calls by words and weather, callback_outdoor_c the callbacks
    among them. callback_share is of callbacks among the calls, its 95 % interval (callback_lower, callback_upper) at
    each end the wider of Wilson's and of resampled sites; callback_differs: its share is not that of all other
    clusters together, as `against_the_rest` has it, Benjamini-Hochberg over clusters; null with fewer than
    `least_group_calls` calls.

    cold_rate_ratio is of calls in an
    hour of cold over calls in an hour of mild weather, with calls gathered by words alone (gathered by weather it would
    go in a circle), on units that lived through both. Null with fewer than `least_group_calls` such calls, or none in
    mild weather. Calls soon after a visit are not left out.

    Its 95 % interval is, at each end, the wider of the exact one of two Poisson rates and of resampled sites (units,
    under `FEWEST_SITES` sites): the share p of cold calls is resampled, and p / (1 - p) * mild_hours / cold_hours is
    taken.
    Sources: as in `rate_ratio` and `resampled_ratio`.
    """
    described = calls.group_by("cluster").agg(
        calls=pl.len().cast(pl.Int64),
        callbacks=pl.col("is_callback").sum().cast(pl.Int64),
        median_outdoor_c=pl.col("outdoor_c").median(),
        callback_outdoor_c=pl.col("outdoor_c").filter("is_callback").median(),
    )
    exposed = calls.join(hours.select("unit_id"), on="unit_id", how="semi").filter(
        pl.col("is_cold") | pl.col("is_mild")
    )
    cold_h, mild_h = float(hours["cold_hours"].sum()), float(hours["mild_hours"].sum())
    ratios = [
        (
            name,
            *_ratio(exposed.filter(pl.col("words_cluster") == name), cold_h, mild_h, thresholds["least_group_calls"]),
        )
        for name in clusters["cluster"]
    ]
    columns = {"cluster": pl.String, **dict.fromkeys(("cold_rate_ratio", "lower", "upper"), pl.Float64)}
    return (
        clusters.join(described, on="cluster", how="left")
        .join(pl.DataFrame(ratios, schema=columns, orient="row"), on="cluster", how="left")
        .join(_shares(calls, thresholds["least_group_calls"]), on="cluster", how="left")
        .with_columns(pl.col("calls", "callbacks").fill_null(0))
        .select(
            "cluster",
            "name",
            "calls",
            "callbacks",
            "callback_share",
            "callback_lower",
            "callback_upper",
            "callback_differs",
            "callback_outdoor_c",
            "median_outdoor_c",
            "cold_rate_ratio",
            "lower",
            "upper",
            "stability",
        )
        .sort("cluster")
    )


def _shares(calls: pl.DataFrame, fewest: float) -> pl.DataFrame:
    """callback_share, callback_lower, callback_upper and callback_differs of each cluster that has calls enough."""
    cells = (
        calls.filter(pl.col("cluster").is_not_null())
        .group_by("cluster", "unit_id")
        .agg(pl.col("site_id").first(), hits=pl.col("is_callback").sum(), calls=pl.len())
        .sort("cluster", "unit_id")
        .with_columns(pl.col("hits", "calls").cast(pl.Float64))
        .with_columns(group=pl.col("cluster").rank("dense") - 1, unit=pl.col("unit_id").rank("dense") - 1)
    )
    names = cells["cluster"].unique().sort()
    group, unit = (cells[name].cast(pl.Int64).to_numpy() for name in ("group", "unit"))
    hits, count = (cells[name].to_numpy() for name in ("hits", "calls"))
    totals, all_hits = np.bincount(group, count, len(names)), np.bincount(group, hits, len(names))
    shown = totals >= fewest
    p = np.where(shown, against_the_rest(group, unit, hits, count), np.nan) if len(names) else np.empty(0)
    told = ~np.isnan(p)
    adjusted = np.full(len(p), np.nan)
    if told.any():
        adjusted[told] = benjamini_hochberg(p[told])
    lower, upper = wilson_interval(all_hits, totals)
    for place in np.flatnonzero(shown):
        low, high = _resampled_share(cells.filter(pl.col("group") == place))
        lower[place], upper[place] = np.fmin(lower[place], low), np.fmax(upper[place], high)
    values = {"callback_share": all_hits / np.maximum(totals, 1), "callback_lower": lower, "callback_upper": upper}
    return pl.DataFrame({"cluster": names}).with_columns(
        *(pl.Series(name, np.where(shown, value, np.nan), nan_to_null=True) for name, value in values.items()),
        pl.Series("callback_differs", adjusted <= FALSE_DISCOVERIES).set(pl.Series(~told), None),
    )


def _resampled_share(cells: pl.DataFrame) -> tuple[float, float]:
    drawn = "site_id" if cells["site_id"].n_unique() >= FEWEST_SITES else "unit_id"
    parts = cells.group_by(drawn).agg(pl.col("hits", "calls").sum()).sort(drawn)
    if parts.height < 2:
        return float("nan"), float("nan")
    hits, calls = (parts[name].to_numpy()[:, None] for name in ("hits", "calls"))
    low, high = resampled_ratio(hits, calls, seed_of(parts))
    return float(low[0]), float(high[0])


def _ratio(
    calls: pl.DataFrame, cold_h: float, mild_h: float, fewest: float
) -> tuple[float | None, float | None, float | None]:
    """Ratio of the rates in the cold and in mild weather with its 95 % interval, null where it cannot be told."""
    cold = int(calls["is_cold"].sum())
    mild = calls.height - cold
    if calls.height < fewest or mild == 0:
        return None, None, None
    ratio, lower, upper, _ = rate_ratio(cold, cold_h, mild, mild_h)
    drawn = "site_id" if calls["site_id"].n_unique() >= FEWEST_SITES else "unit_id"
    parts = calls.group_by(drawn).agg(cold=pl.col("is_cold").sum(), calls=pl.len()).sort(drawn)
    cold_calls, all_calls = (parts[name].cast(pl.Float64).to_numpy()[:, None] for name in ("cold", "calls"))
    if parts.height > 1 and cold > 0:
        low, high = (float(end[0]) for end in resampled_ratio(cold_calls, all_calls, seed_of(parts)))
        lower = float(np.fmin(lower, low / (1 - low) * mild_h / cold_h if low < 1 else np.inf))
        upper = float(np.fmax(upper, high / (1 - high) * mild_h / cold_h if high < 1 else np.inf))
    return ratio, lower, upper if np.isfinite(upper) else None
