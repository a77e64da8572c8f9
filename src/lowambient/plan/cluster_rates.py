"""Clusters of calls with their callbacks, and how much oftener each comes in the cold than in mild weather."""

from collections.abc import Mapping

import numpy as np
import polars as pl

from lowambient.plan.rates import rate_ratio
from lowambient.plan.resampling import FEWEST_SITES, resampled_ratio, seed_of


def cluster_table(
    clusters: pl.DataFrame, calls: pl.DataFrame, hours: pl.DataFrame, thresholds: Mapping[str, float]
) -> pl.DataFrame:
    """The table `clusters`, grain cluster.

    `clusters`: cluster, name, stability. `calls`, grain service call: call_id, unit_id, site_id, cluster,
    words_cluster, outdoor_c [degC], is_callback, is_cold, is_mild. `hours`, grain unit: unit_id, cold_hours,
    mild_hours [h].

    calls, callbacks and median_outdoor_c describe the calls by words and weather. cold_rate_ratio is of calls in an
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
        .with_columns(pl.col("calls", "callbacks").fill_null(0))
        .select(
            "cluster",
            "name",
            "calls",
            "callbacks",
            "median_outdoor_c",
            "cold_rate_ratio",
            "lower",
            "upper",
            "stability",
        )
        .sort("cluster")
    )


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
