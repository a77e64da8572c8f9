"""How noisy a channel is, from its own short-term scatter."""

import numpy as np

from lowambient.traces.circuit import Array, Mask
from lowambient.traces.ranks import median, quantiles

LEAST_NOISE_KPA, MOST_NOISE_KPA = 2.0, 35.0
"""0.3 and 5 psi: no transducer of the trade reads better, and what scatters more is the circuit itself (judgement)."""
FEWEST = 20
ENOUGH = 5000
"""Readings that show the steps in which a logger writes."""


def noise_kpa(channel: Array, quiet: Mask) -> float:
    """Standard deviation of the sensor, kPa, from second differences over quiet samples (whose pressure hardly moves).

    The median keeps what the circuit itself does in a minority of samples out. Where few are quiet, all are taken.
    """
    second = np.abs(np.diff(channel, n=2))
    known = np.isfinite(second)
    of_quiet = np.flatnonzero(known & quiet[2:] & quiet[1:-1] & quiet[:-2])
    told = of_quiet if len(of_quiet) >= FEWEST else np.flatnonzero(known)
    if len(told) < FEWEST:
        return LEAST_NOISE_KPA * 2
    sd = median(second[told]) / 0.6745 / np.sqrt(6.0)
    return float(np.clip(np.hypot(sd, _step_kpa(channel) / np.sqrt(12.0)), LEAST_NOISE_KPA, MOST_NOISE_KPA))


def _step_kpa(channel: Array) -> float:
    """The step in which a logger writes, from its first readings."""
    first = channel[np.flatnonzero(np.isfinite(channel))[:ENOUGH]]
    steps = np.diff(np.unique(np.round(first, 3)))
    return float(quantiles(steps, [0.1])[0]) if len(steps) else 0.0
