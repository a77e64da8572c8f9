"""How likely each complaint was a cold lockout, from words, weather and everything known of its unit.

What the chains say is too sure of itself, call by call: words mislead, and levels are coarse. So its log odds are
calibrated by a logistic regression on generated fleets of two kinds (`reference/call_calibration.tsv`, found by
`tests/long/fit.py --calls`), which also knows that calls of one cause come together.
"""

from itertools import pairwise

import numpy as np
import numpy.typing as npt
import polars as pl

from lowambient import reference
from lowambient.flags.history import History
from lowambient.flags.learning import Fleet, ordinary_rate, returning
from lowambient.flags.sources import COLD

Array = npt.NDArray[np.float64]

WITHIN_H = 720.0
"""Other calls of the unit as near as this are its neighbours (judgement: a month)."""
KEPT = 1e-3
"""Probabilities are kept this far from 0 and 1 before odds are taken of them."""


def call_causes(history: History, fleet: Fleet) -> pl.DataFrame:
    """Probability that each complaint was a cold lockout: call_id, cold_probability; sorted by call."""
    calls, found = history.calls, calibrated(history, uncalibrated(history, fleet))
    frame = pl.DataFrame({"call_id": calls.call_id, "cold_probability": found})
    return frame.filter(pl.Series(calls.is_complaint)).sort("call_id")


def uncalibrated(history: History, fleet: Fleet) -> Array:
    """The share that the cold condition has in each ticket's intensity; one that comes back from the complaint before
    it is what that one was."""
    calls = history.calls
    total = np.maximum(ordinary_rate(history, fleet) + sum(fleet.made.values(), np.zeros(len(calls))), 1e-300)
    cold, back = fleet.made[COLD] / total, returning(calls, fleet) / total
    for before, now in pairwise(np.flatnonzero(calls.is_complaint).tolist()):
        cold[now] += back[now] * cold[before]
    return np.asarray(cold)


def calibrated(history: History, cold: Array) -> Array:
    """The same, calibrated: ticket. A ticket without weather stays as likely as it was."""
    number, seen = reference.numbers("call_calibration"), regressors(history, cold)
    odds = number["intercept"] + seen @ [number[name] for name in ("log odds", "neighbours", "outdoor")]
    return np.asarray(np.where(history.calls.band >= 0, 1 / (1 + np.exp(-odds)), cold))


def regressors(history: History, cold: Array) -> Array:
    """What the calibration rests on, ticket by column: log odds; ln(1 + sum of the neighbours' probabilities); coldest
    hour of the day before [degC]."""
    calls = history.calls
    kept = np.clip(cold, KEPT, 1 - KEPT)
    outdoor_c = np.where(calls.band >= 0, history.coldest_c[calls.band], 0.0) if len(calls) else np.zeros(0)
    return np.column_stack([np.log(kept / (1 - kept)), np.log1p(_neighbours(history, cold)), outdoor_c])


def _neighbours(history: History, cold: Array) -> Array:
    """Sum of the probabilities of other complaints of the unit within `WITHIN_H`: ticket."""
    calls = history.calls
    found, own = np.zeros(len(calls)), np.flatnonzero(calls.is_complaint)
    if not len(own):
        return found
    opened_h = calls.opened_h[own] - calls.opened_h[own].min()
    at = opened_h + (opened_h.max() + 3 * WITHIN_H) * calls.unit[own]
    total = np.concatenate([[0.0], np.cumsum(cold[own])])
    last = np.searchsorted(at, at + WITHIN_H, side="right")
    found[own] = total[last] - total[np.searchsorted(at, at - WITHIN_H)] - cold[own]
    return np.maximum(found, 0.0)
