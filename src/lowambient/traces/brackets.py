"""Where a switching pressure lies, from events that each bracket it.

A logger sees a switch act between two samples: the pressure was on one side at the first, and has acted by the second.
So each event gives a bracket, blurred by the sensor's noise and the switch's own repeatability, and some events are not
the switch's doing at all. The posterior over a grid of pressures combines them, averaged over how much the sensor may
lag: with a lag the reading trails the true pressure by lag times its rate of change.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from lowambient.traces.circuit import Array

REPEATABILITY_KPA = 5.0
"""Standard deviation of a switch about its own setting, 0.7 psi (judgement; makers give a few psi as tolerance)."""
LAGS_S = np.array([0.0, 5.0, 10.0, 15.0, 20.0, 30.0, 40.0, 55.0])
"""Sensor lags that are weighed against each other, alike likely (judgement: bare transducer to long hose)."""
LAG_BELIEVED = 0.5
"""Power of what the scatter of events says of the lag: events that are something else scatter too (judgement)."""
INDEPENDENT = 12.0
"""Events that speak for themselves; more of them share what this model leaves out, and narrow nothing (judgement)."""
STRAY_SHARE = 0.15
"""Share of events taken to be something else (judgement)."""
MOST_EVENTS = 80
"""Events that are weighed; of more, so many evenly over time, since they would not narrow the interval."""
GRID = 240
COVERED = 0.90
WIDEST_KPA = 140.0
"""An interval of more than 20 psi tells nothing about a switch (judgement)."""
FEWEST_AGREE = 0.15
FAR = 9.0
"""Standard deviations beyond which no double tells a normal distribution from 0 or 1."""


@dataclass(frozen=True)
class Events:
    """Brackets of one switching pressure; arrays (events,), absolute kPa.

    `reading_kpa` is the last reading before the switch acted. `trail_kpa_s` is how far a sensor trails there for each
    second that it lags, `unseen_kpa` how far the pressure may have gone on before it acted, both signed as the pressure
    moves. `weight` is the certainty that the switch did it.
    """

    reading_kpa: Array
    trail_kpa_s: Array
    unseen_kpa: Array
    weight: Array

    def __len__(self) -> int:
        return len(self.reading_kpa)

    def taken(self, which: npt.NDArray[np.int64]) -> "Events":
        """Some of the events."""
        return Events(self.reading_kpa[which], self.trail_kpa_s[which], self.unseen_kpa[which], self.weight[which])

    def weighed(self, factor: float) -> "Events":
        """The same events, each less certain by a factor."""
        return Events(self.reading_kpa, self.trail_kpa_s, self.unseen_kpa, self.weight * factor)

    @staticmethod
    def joined(first: "Events", second: "Events") -> "Events":
        """The events of both."""
        return Events(
            np.concatenate([first.reading_kpa, second.reading_kpa]),
            np.concatenate([first.trail_kpa_s, second.trail_kpa_s]),
            np.concatenate([first.unseen_kpa, second.unseen_kpa]),
            np.concatenate([first.weight, second.weight]),
        )


@dataclass(frozen=True)
class Estimate:
    """A switching pressure with its 90 % interval, absolute kPa, and the number of events it rests on."""

    kpa: float
    lower_kpa: float
    upper_kpa: float
    events: int


def share_below(deviations: Array) -> Array:
    """Share of normal values that lie below so many standard deviations, as `scipy.special.ndtr` has it but for what
    is less than 1e-18; many times faster where most lie far out."""
    flat = deviations.ravel()
    share = (flat > 0).astype(np.float64)
    near = np.flatnonzero(~(np.abs(flat) >= FAR))
    share[near] = ndtr(flat[near])
    return share.reshape(deviations.shape)


def grid_kpa(low_kpa: float, high_kpa: float) -> Array:
    """Pressures to weigh, evenly spaced."""
    return np.linspace(low_kpa, high_kpa, GRID)


def log_likelihood(events: Events, grid: Array, noise_kpa: float) -> Array:
    """Log likelihood of each pressure of the grid, shape (grid,), averaged over the lags of the sensor."""
    if len(events) == 0:
        return np.zeros(len(grid))
    if len(events) > MOST_EVENTS:
        events = events.taken(np.linspace(0, len(events) - 1, MOST_EVENTS).round().astype(np.int64))
    blur = np.hypot(noise_kpa, REPEATABILITY_KPA)
    span = grid[-1] - grid[0]
    share = min(1.0, INDEPENDENT / len(events))
    by_lag = np.stack([share * _log_likelihood(events, grid, blur, span, lag_s) for lag_s in LAGS_S])
    fits = np.logaddexp.reduce(by_lag, axis=1, keepdims=True)
    return np.asarray(np.logaddexp.reduce(by_lag - (1 - LAG_BELIEVED) * fits, axis=0))


def _log_likelihood(events: Events, grid: Array, blur: float, span: float, lag_s: float) -> Array:
    near = events.reading_kpa + events.trail_kpa_s * lag_s
    far = near + events.unseen_kpa
    low, high = np.minimum(near, far), np.maximum(near, far)
    width = np.maximum(high - low, 0.5 * blur)
    middle = (low + high) / 2
    from_low, from_high = (grid[:, None] - (middle + side * width / 2) for side in (-1, 1))
    inside = share_below(from_low / blur) - share_below(from_high / blur)
    own = (1 - STRAY_SHARE) * events.weight
    return np.asarray(np.log(own * inside / width + (1 - own) / span).sum(axis=1))


def log_bounds(grid: Array, seen_kpa: Array, blur_kpa: float, believed: float, *, above: bool) -> Array:
    """Log likelihood (grid,) of one-sided bounds: the switch acts above (or not above) each pressure seen.

    `believed` is the share of bounds that hold at all; as with brackets, many speak no louder than a few.
    """
    if len(seen_kpa) == 0:
        return np.zeros(len(grid))
    distance = (grid[:, None] - seen_kpa[None, :]) / blur_kpa
    holds = share_below(distance if above else 1.0 - distance)
    told = np.log(believed * holds + 1 - believed).sum(axis=1)
    return np.asarray(told * min(1.0, INDEPENDENT / len(seen_kpa)))


def estimate(log_posterior: Array, grid: Array, events: int) -> Estimate:
    """The middle and the 90 % interval of a posterior over the grid."""
    weights = np.exp(log_posterior - log_posterior.max())
    shares = np.cumsum(weights) / weights.sum()
    tail = (1 - COVERED) / 2
    low, middle, high = np.interp([tail, 0.5, 1 - tail], shares, grid)
    return Estimate(float(middle), float(low), float(high), events)


def believed(found: Estimate, events: Events, noise_kpa: float) -> Estimate | None:
    """The estimate, or null where it says too little or too few of its events agree with it at any lag."""
    blur = float(np.hypot(noise_kpa, REPEATABILITY_KPA))
    ends = np.stack([events.reading_kpa, events.reading_kpa + events.unseen_kpa + events.trail_kpa_s * LAGS_S[-1]])
    agrees = (ends.min(axis=0) - 2 * blur <= found.kpa) & (found.kpa <= ends.max(axis=0) + 2 * blur)
    is_told = found.upper_kpa - found.lower_kpa <= WIDEST_KPA and (agrees * events.weight).sum() >= (
        FEWEST_AGREE * events.weight.sum()
    )
    return found if is_told else None


def normal_log_prior(grid: Array, middle_kpa: float, sd_kpa: float, sure: float) -> Array:
    """A listed or usual value, trusted as far as `sure`; else any pressure of the grid alike."""
    density = np.exp(-0.5 * ((grid - middle_kpa) / sd_kpa) ** 2) / (sd_kpa * np.sqrt(2 * np.pi))
    return np.asarray(np.log(sure * density + (1 - sure) / (grid[-1] - grid[0])))
