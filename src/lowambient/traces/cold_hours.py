"""Steady running reduced to hours: condensing and outdoor temperature, and how much the first moves to and fro."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lowambient.traces.circuit import HOUR_S, Array, Mask, Trace
from lowambient.traces.noise import noise_kpa
from lowambient.traces.ranks import median
from lowambient.traces.runs import Running

Index = npt.NDArray[np.int64]

COLD_C = 10.0
"""Warmer air shows little: any circuit follows ambient once its control has nothing left to do (judgement)."""
SPARSE_S = 3 * HOUR_S
"""Length of the stretches taken for hours where most hours have too few samples to show a spread."""
HIDES_STOPS_S = 120.0
"""Samples farther apart hide a stop between them (judgement: timers hold a compressor off for three minutes)."""
LEAST_FOR_SPREAD = 3
QUIETEST = 0.1
"""Share of hours that show no more than sensor noise, unless the sensor was quieter at rest."""
MEAN_STEP_TO_SD = float(np.sqrt(np.pi) / 2)
"""Standard deviation over the mean absolute difference of two independent values, Gaussian."""
WHOLE_SHARE = 1 / 6
"""Share of an hour in steady running that makes the hour count in full."""
K_PER_E_FOLD = 33.0
"""Saturation temperature rises by 27 to 38 K while pressure grows e-fold, for refrigerants of the trade; noise only."""
MOST_NOISE_KPA = 21.0
SAMPLES_FOR_NOISE = 5000
LEAST_SAW_K, WIDEST_SAW_K = 0.9, 12.0
"""Standard deviations within an hour of saws 3 K and 40 K high; any in between is as likely as its double."""
HOURS_ALIKE = 3.0
"""Neighbouring hours share their load, so that this many count as one observation."""
NO_TURNS = np.empty(0)
LEAST_HOURS = 12
"""Fewer do not show a circuit's least distance over ambient."""


@dataclass(frozen=True)
class Hours:
    """Hours of steady running, arrays (hours,) in time order.

    `first_s` and `last_s` are the first and last sample used, `condensing_c` and `outdoor_c` medians, `weight` [-] what
    the hour counts. `swing_k` is how condensing temperature moves to and fro beyond sensor noise: the geometric mean of
    its standard deviation and of what its steps would give if it were noise, so that a drift or one change of load
    counts little (NaN under three samples); in a log that hides stops no farther down than up, as a fan's saw is.
    `turns` is how often head turned back at a fan's switching pressure.
    """

    first_s: Array
    last_s: Array
    condensing_c: Array
    outdoor_c: Array
    swing_k: Array
    weight: Array
    turns: Array

    def __len__(self) -> int:
        return len(self.first_s)

    def where(self, chosen: Mask) -> "Hours":
        """The hours chosen."""
        return Hours(*(getattr(self, name)[chosen] for name in self.__dataclass_fields__))


def hours_of(
    at_s: Array, condensing_c: Array, outdoor_c: Array, step_s: float, noise_k: float, turned_s: Array = NO_TURNS
) -> Hours:
    """Samples (in time order, `step_s` apart, without NaN) by UTC hour, or by three where most have few samples."""
    if len(at_s) == 0:
        return Hours(*(np.empty(0) for _ in Hours.__dataclass_fields__))
    length_s = HOUR_S
    first, count = groups(at_s, HOUR_S)
    if np.median(count) < LEAST_FOR_SPREAD:
        length_s = SPARSE_S
        first, count = groups(at_s, SPARSE_S)
    no = np.repeat(np.arange(len(first)), count)
    middle_c = medians(condensing_c, no, first, count)
    off_k = np.clip(condensing_c - middle_c[no], -2 * WIDEST_SAW_K, 2 * WIDEST_SAW_K)
    if step_s > HIDES_STOPS_S:
        off_k = np.maximum(off_k, -np.maximum.reduceat(off_k, first)[no])
    step_k = np.abs(np.diff(off_k, prepend=0.0))
    step_k[first] = 0.0
    fewer = np.maximum(count - 1, 1)
    from_steps_k = MEAN_STEP_TO_SD * np.add.reduceat(step_k, first) / fewer
    mean_k = np.add.reduceat(off_k, first) / count
    from_spread_k = np.sqrt(np.maximum(np.add.reduceat(off_k**2, first) - count * mean_k**2, 0.0) / fewer)
    seen_k2 = from_steps_k * from_spread_k
    known = count >= LEAST_FOR_SPREAD
    if known.any():
        noise_k = min(noise_k, float(np.sqrt(np.quantile(seen_k2[known], QUIETEST))))
    swing_k = np.sqrt(np.maximum(seen_k2 - noise_k**2, 0.0))
    return Hours(
        first_s=at_s[first],
        last_s=at_s[first + count - 1],
        condensing_c=middle_c,
        outdoor_c=medians(outdoor_c, no, first, count),
        swing_k=np.where(known, swing_k, np.nan),
        turns=_counted(turned_s, at_s[first], at_s[first + count - 1]),
        weight=np.minimum(count * step_s / (WHOLE_SHARE * length_s), 1.0) * length_s / (HOURS_ALIKE * HOUR_S),
    )


def _counted(turned_s: Array, first_s: Array, last_s: Array) -> Array:
    """How many instants, in time order, lie in each stretch, ends included."""
    before, through = np.searchsorted(turned_s, first_s), np.searchsorted(turned_s, last_s, side="right")
    return (through - before).astype(np.float64)


def groups(at_s: Array, length_s: float) -> tuple[Index, Index]:
    """First sample and number of samples of each stretch of time that has any."""
    first = np.flatnonzero(np.diff(np.floor(at_s / length_s), prepend=-np.inf))
    return first, np.diff(first, append=len(at_s))


def least_over_k(hours: Hours) -> float:
    """Low end of condensing over ambient in some hours, K, near what every fan gives; NaN where they are few."""
    enough = len(hours) >= LEAST_HOURS
    return float(np.quantile(hours.condensing_c - hours.outdoor_c, 0.1)) if enough else np.nan


def noise_k(trace: Trace, running: Running) -> float:
    """Noise of condensing temperature in steady running, K, from the head pressure's scatter at rest."""
    some = slice(SAMPLES_FOR_NOISE)
    head_kpa, running_now = trace.head_kpa[some], running.on[some] & np.isfinite(trace.head_kpa[some])
    if not running_now.any():
        return 0.0
    at_rest = noise_kpa(head_kpa, running.known[some] & ~running.on[some])
    return K_PER_E_FOLD * min(at_rest, MOST_NOISE_KPA) / median(head_kpa[running_now])


def medians(value: Array, no: Index, first: Index, count: Index) -> Array:
    """Median of each group of consecutive values, none beyond 500: sorted by group and value as one number."""
    span = 1024.0
    ordered = np.sort(value + span * no) - span * no
    middle: Array = 0.5 * (ordered[first + (count - 1) // 2] + ordered[first + count // 2])
    return middle
