"""Time to a callback with censoring, and calls of a unit as it grows older."""

import numpy as np
import numpy.typing as npt
from scipy import stats

Array = npt.NDArray[np.float64]


def kaplan_meier(
    durations: Array, came: npt.NDArray[np.bool_], times: Array, level: float = 0.95
) -> tuple[Array, Array, Array]:
    """Share to whom the event has come by each of `times`, with its interval; NaN beyond the longest duration.

    `durations`: time to the event where it `came`, else the time watched without it; same unit as `times`. Interval:
    Greenwood's variance on the scale of log(-log S), which assumes independent durations; null (NaN) before the first
    event.
    Sources: Kaplan & Meier 1958, Journal of the American Statistical Association 53, 457-481; Kalbfleisch & Prentice
    1980, The Statistical Analysis of Failure Time Data, section 1.4.
    """
    if len(durations) == 0:
        nothing = np.full(len(times), np.nan)
        return nothing, nothing.copy(), nothing.copy()
    steps = np.unique(durations[came])
    ordered = np.sort(durations)
    at_risk = len(ordered) - np.searchsorted(ordered, steps, side="left")
    events = np.diff(np.searchsorted(np.sort(durations[came]), np.append(steps, np.inf), side="left"))
    survival = np.cumprod(1 - events / at_risk)
    with np.errstate(divide="ignore", invalid="ignore"):
        greenwood = np.cumsum(events / (at_risk * (at_risk - events)))
        half = stats.norm.ppf((1 + level) / 2) * np.sqrt(greenwood) / np.log(survival)
        lower, upper = 1 - survival ** np.exp(half), 1 - survival ** np.exp(-half)
    place = np.searchsorted(steps, times, side="right")
    beyond = times > ordered[-1]

    def at(values: npt.NDArray[np.floating], before: float) -> Array:
        return np.where(beyond, np.nan, np.append(before, values)[place])

    return at(1 - survival, 0.0), at(lower, np.nan), at(upper, np.nan)


def mean_cumulative(
    unit: npt.NDArray[np.intp], event_times: Array, watched: Array, times: Array
) -> tuple[Array, Array]:
    """Mean number of events of a unit by each of `times`, and its standard error; NaN when no unit is watched so long.

    `unit`, `event_times`: unit (numbered from 0) and time of each event; `watched`: how long each unit was watched;
    all in the unit of `times`. The error is robust: it holds however the events of one unit depend on each other.
    Sources: Nelson 1995, Technometrics 37(2), 147-157; Lawless & Nadeau 1995, Technometrics 37(2), 158-168.
    """
    ends = np.sort(watched)
    order = np.argsort(event_times, kind="stable")
    unit, event_times = unit[order], event_times[order]
    at_risk = len(ends) - np.searchsorted(ends, event_times, side="left")
    mean = np.append(0.0, np.cumsum(1 / at_risk))
    # of each unit: its own events over the number at risk, less what all units together would let expect of it
    expected = np.append(0.0, np.cumsum(1 / at_risk**2))
    variance = np.empty(len(times))
    for number, time in enumerate(times):
        seen = np.searchsorted(event_times, time, side="right")
        own = np.bincount(unit[:seen], 1 / at_risk[:seen], minlength=len(watched))
        until = np.searchsorted(event_times, np.minimum(watched, time), side="right")
        variance[number] = np.sum((own - expected[until]) ** 2)
    beyond = times > ends[-1] if len(ends) else np.ones(len(times), dtype=bool)
    found = mean[np.searchsorted(event_times, times, side="right")]
    return np.where(beyond, np.nan, found), np.where(beyond, np.nan, np.sqrt(variance))
