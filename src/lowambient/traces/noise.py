"""How noisy a channel is, from its own short-term scatter."""

import numpy as np

from lowambient.traces.circuit import Array, Mask

LEAST_NOISE_KPA, MOST_NOISE_KPA = 2.0, 35.0
"""0.3 and 5 psi: no transducer of the trade reads better, and what scatters more is the circuit itself (judgement)."""
FEWEST = 20
ENOUGH = 5000
"""Readings that show the steps in which a logger writes."""


def _second_differences(channel: Array) -> Array:
    second = np.diff(channel, n=2)
    return np.abs(second[np.isfinite(second)])


def noise_kpa(channel: Array, quiet: Mask) -> float:
    """Standard deviation of the sensor, kPa, from second differences over quiet samples (whose pressure hardly moves).

    The median keeps what the circuit itself does in a minority of samples out. Where few are quiet, all are taken.
    """
    second = _second_differences(np.where(quiet, channel, np.nan))
    if len(second) < FEWEST:
        second = _second_differences(channel)
    if len(second) < FEWEST:
        return LEAST_NOISE_KPA * 2
    sd = float(np.median(second)) / 0.6745 / np.sqrt(6.0)
    steps = np.diff(np.unique(np.round(channel[np.isfinite(channel)][:ENOUGH], 3)))
    quantum = float(np.quantile(steps, 0.1)) if len(steps) else 0.0
    return float(np.clip(np.hypot(sd, quantum / np.sqrt(12.0)), LEAST_NOISE_KPA, MOST_NOISE_KPA))
