"""How probable it is that a call was a cold lockout: words, weather and the unit's other calls, by judged weights.

The score has seen the weather. It sorts calls for a reader and must never be counted in a rate against temperature.
"""

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy.special import expit

from lowambient import reference

Array = npt.NDArray[np.float64]

MOST_COLDER_K, MOST_WARMER_K = 8.0, 12.0
"""Beyond these more kelvins tell nothing more (judgement)."""

PRIOR_CALLS = 4.0
"""Calls like the fleet's that each unit is given beforehand (judgement)."""

NEARBY_DAYS = 14.0
"""Calls so close on one unit may have one cause (judgement)."""

LEAST = 1e-4
"""Least probability that words are taken to give, and what one minus it leaves."""


def cold_probabilities(calls: pl.DataFrame) -> pl.DataFrame:
    """Probability of a cold lockout of each call: call_id, cold_probability [-], in the order of call_id.

    `calls`: call_id, unit_id, opened_at, work_type; low_pressure_probability [-] from words; outdoor_c of the hour and
    outdoor_min_c, the coldest hour of possible demand of the day before, and starve_ambient_c of the unit [degC], null
    where not known: weather then says nothing.

    A logistic sum of the rows of `reference/cold_call_weights.tsv`, all judgement, in two passes: words and weather
    first; then what this makes of the unit's *other* calls (their mean, weighed with the fleet's as in empirical Bayes,
    and the likeliest within `NEARBY_DAYS`). A call's own first probability never comes back to it.
    """
    weight = {row["term"]: float(row["weight"]) for row in reference.rows("cold_call_weights")}
    table = calls.sort("call_id")
    words = table["low_pressure_probability"].fill_null(0.5).clip(LEAST, 1 - LEAST).to_numpy()
    colder = (table["starve_ambient_c"] - table["outdoor_min_c"]).cast(pl.Float64).fill_null(0.0).to_numpy()
    no_demand = (table["outdoor_min_c"].is_null() & table["outdoor_c"].is_not_null()).to_numpy()
    work = table["work_type"].cast(pl.String).fill_null("service")
    score = (
        weight["base"]
        + weight["words"] * np.log(words / (1 - words))
        + weight["cold"] * np.clip(colder, 0, MOST_COLDER_K)
        + weight["warm"] * np.clip(-colder, 0, MOST_WARMER_K)
        + weight["no demand"] * no_demand
        + weight["other work"] * work.is_in(["planned", "quote"]).to_numpy()
    )
    first = expit(score)
    if len(first):
        unit = table["unit_id"].rank("dense").to_numpy().astype(np.intp) - 1
        score = score + weight["unit"] * _of_unit(unit, first) + weight["nearby"] * _nearby(table, first)
    return table.select("call_id", cold_probability=pl.Series(expit(score), dtype=pl.Float64).round(6))


def _of_unit(unit: npt.NDArray[np.intp], first: Array) -> Array:
    """Log of the mean of the unit's other calls over that of the fleet."""
    mean = max(float(first.mean()), LEAST)
    others = np.bincount(unit)[unit] - 1
    total = np.bincount(unit, first)[unit] - first
    return np.asarray(np.log(np.maximum(total + PRIOR_CALLS * mean, 1e-12) / ((others + PRIOR_CALLS) * mean)))


def _nearby(table: pl.DataFrame, first: Array) -> Array:
    """The highest first probability of the unit's other calls within `NEARBY_DAYS`, 0 without one."""
    rows = (
        table.select("unit_id", "opened_at", first=pl.Series(first))
        .with_row_index("row")
        .sort("unit_id", "opened_at", "row")
    )
    unit, probability = rows["unit_id"].rank("dense").to_numpy(), rows["first"].to_numpy()
    day = rows["opened_at"].dt.epoch("s").to_numpy() / 86400
    best = np.zeros(len(rows))
    for apart in range(1, len(rows)):
        close = (unit[apart:] == unit[:-apart]) & (day[apart:] - day[:-apart] <= NEARBY_DAYS)
        if not close.any():
            break
        best[apart:] = np.where(close, np.maximum(best[apart:], probability[:-apart]), best[apart:])
        best[:-apart] = np.where(close, np.maximum(best[:-apart], probability[apart:]), best[:-apart])
    answer = np.zeros(len(rows))
    answer[rows["row"].to_numpy()] = best
    return answer
