"""What an analyst with a spreadsheet gets from the same records, and what a classifier gets that has seen the truth.

The classifier is trained on the planted truth of other fleets of the same generator: no tool can know as much, so it
is taken as the ceiling.
"""

from collections.abc import Mapping
from datetime import timedelta

import numpy as np
import polars as pl
from sklearn.ensemble import HistGradientBoostingRegressor, RandomForestClassifier

from lowambient.flags.history import STATEMENTS, History, history
from lowambient.flags.sources import MARKS

WINTERS = ((0.0, 0.95), (0.95, 1.95), (1.95, 9.0))  # years before the end
COLD_C, GREAT_COLD_C, NO_WEATHER_C = 5.0, -7.0, 99.0
TOLD = ("low-pressure trip", "no cooling", "unclear", "leak or low charge", "control or thermostat")
LISTED = {
    "duty": ("year-round", "comfort", "refrigeration"),
    "head_control": ("none", "fan cycling", "fan speed", "flooded", "floating", "unknown"),
}


def spreadsheets(frames: Mapping[str, pl.DataFrame]) -> dict[str, np.ndarray]:
    """Scores by unit, in the order of `flag_units`, that rank by counting."""
    known = history(frames, 25 / 9)
    calls, units = known.calls, len(known.units)
    last = _age(known) < WINTERS[0][1]
    says = calls.mark == MARKS.index("low-pressure trip")

    def counted(keep: np.ndarray) -> np.ndarray:
        return np.bincount(calls.unit, calls.is_complaint & keep, units)

    return {
        "calls of last winter": counted(last & _in_cold(known)),
        "calls of all winters": counted(_in_cold(known)),
        "words low pressure, ever": counted(says),
        "words low pressure, last winter": counted(says & last),
    }


def features(frames: Mapping[str, pl.DataFrame]) -> np.ndarray:
    """What the records say of each unit, in the order of `flag_units`: unit by feature."""
    known = history(frames, 25 / 9)
    columns = [*_call_features(known), *_list_features(known), *_reading_features(known, frames)]
    return np.array(columns, dtype=np.float64).T


NEAR_H = (72.0, 720.0, 8766.0)
"""How near other calls of the unit are counted."""


def call_features(frames: Mapping[str, pl.DataFrame]) -> tuple[pl.Series, np.ndarray]:
    """What the records say of each complaint and of its unit: call_id, and call by feature."""
    known = history(frames, 25 / 9)
    calls = known.calls
    kept = np.flatnonzero(calls.is_complaint)
    cold = _in_cold(known) & calls.is_complaint
    says = cold & np.isin(calls.mark, [MARKS.index("low-pressure trip"), MARKS.index("no cooling")])
    month = np.array([(known.started[0] + timedelta(hours=float(hour))).month for hour in calls.opened_h[kept]])
    columns = [
        np.where(calls.band[kept] >= 0, known.coldest_c[calls.band[kept]], NO_WEATHER_C),
        *(calls.mark[kept] == at for at in range(len(MARKS))),
        *calls.statements[kept].T,
        month,
        *(_near(known, kept, others, hours) for others in (cold, says, calls.is_complaint) for hours in NEAR_H),
        *np.array(_list_features(known), dtype=np.float64)[:, calls.unit[kept]],
    ]
    return calls.call_id.gather(kept), np.array(columns, dtype=np.float64).T


def _near(known: History, kept: np.ndarray, others: np.ndarray, hours: float) -> np.ndarray:
    """How many of some calls lie within some hours of each call of the same unit, itself not counted."""
    calls = known.calls
    span = calls.opened_h.max(initial=0) + 3 * max(NEAR_H)
    at = calls.opened_h + span * calls.unit
    among = np.sort(at[others])
    count = np.searchsorted(among, at[kept] + hours) - np.searchsorted(among, at[kept] - hours)
    return count - others[kept]


def ceiling(trained_on: list[tuple[np.ndarray, np.ndarray]], asked: np.ndarray) -> np.ndarray:
    """Probabilities of a forest that has seen features and truth of other fleets."""
    seen = [(inputs, truth) for inputs, truth in trained_on if len(truth)]
    inputs, truth = (np.concatenate(parts) for parts in zip(*seen, strict=True))
    if truth.all() or not truth.any():
        return np.full(len(asked), truth.mean())
    forest = RandomForestClassifier(500, min_samples_leaf=3, random_state=0, n_jobs=2).fit(inputs, truth)
    return np.asarray(forest.predict_proba(asked)[:, 1])


def count_ceiling(trained_on: list[tuple[np.ndarray, np.ndarray]], asked: np.ndarray) -> np.ndarray:
    """Expected counts of a boosted Poisson regression that has seen features and counts of other fleets."""
    inputs, counts = (np.concatenate(parts) for parts in zip(*trained_on, strict=True))
    model = HistGradientBoostingRegressor(
        loss="poisson", max_iter=120, learning_rate=0.05, max_leaf_nodes=8, min_samples_leaf=15, random_state=0
    )
    return np.asarray(model.fit(inputs, counts).predict(asked))


def _age(known: History) -> np.ndarray:
    """Years before its unit's last week, by ticket."""
    return (known.last_weeks()[known.calls.unit] - known.calls.week) / 52.18


def _in_cold(known: History) -> np.ndarray:
    calls = known.calls
    return (calls.band >= 0) & (known.coldest_c[np.maximum(calls.band, 0)] < COLD_C)


def _call_features(known: History) -> list[np.ndarray]:
    calls, units, cold, age = known.calls, len(known.units), _in_cold(known), _age(known)
    columns = []
    for first, last in WINTERS:
        then = (age >= first) & (age < last)
        told = [cold & then & (calls.mark == MARKS.index(mark)) for mark in TOLD]
        for keep in (*told, cold & then, ~cold & then):
            columns.append(np.bincount(calls.unit, keep & calls.is_complaint, units))
        columns += [np.bincount(calls.unit, then * calls.statements[:, at], units) for at in range(len(STATEMENTS))]
    latest = np.full(units, 9.0)
    said = cold & calls.is_complaint & (calls.mark == MARKS.index("low-pressure trip"))
    np.minimum.at(latest, calls.unit[said], age[said])
    return [*columns, latest]


def _list_features(known: History) -> list[np.ndarray]:
    units = known.units
    year = np.concatenate([known.year_hours, np.zeros((1, known.year_hours.shape[1]))])[known.station]
    return [
        *(units[name].fill_null("unknown").eq(value).to_numpy() for name, values in LISTED.items() for value in values),
        units["reset_ambient_c"].fill_null(0).to_numpy(),
        year[:, known.coldest_c < COLD_C].sum(axis=1),
        year[:, known.coldest_c < GREAT_COLD_C].sum(axis=1),
        known.served.sum(axis=1),
    ]


def _reading_features(known: History, frames: Mapping[str, pl.DataFrame]) -> list[np.ndarray]:
    held = pl.col("behaviour").is_in(["held", "cycling"]).sum().alias("held")
    follows = (pl.col("behaviour") == "follows ambient").sum().alias("follows")
    found = known.units.select("unit_id")
    for name, columns in (
        ("head_pressure", [held, follows]),
        ("logged_stops", [pl.len().alias("stops")]),
        ("logged_weeks", [pl.col("logged_hours").sum()]),
        (
            "circuit_months",
            [pl.col("under_cut_out_h").sum(), pl.col("subcooling_k").mean(), pl.col("superheat_k").mean()],
        ),
    ):
        own = frames[name].group_by("unit_id").agg(columns)
        found = found.join(own, on="unit_id", how="left", maintain_order="left")
    return [found[name].cast(pl.Float64).fill_null(-1.0).to_numpy() for name in found.columns[1:]]
