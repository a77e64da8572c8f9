"""A smooth curve through Poisson rates of neighbouring bands."""

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

_STEPS = 30
_FURTHEST = 2.0  # a step of the logarithm of a rate; bands without events would run away
_RIDGE = 1e-4  # hold on the common rate, for bands that nothing else holds


def whittaker_poisson(events: Array, hours: Array, weight: float, near: Array | None = None) -> Array:
    """Rate in each band [1/h] of each fleet, smoothed over neighbouring bands of equal width.

    `events`, `hours`: (fleets, bands). The logarithms of the rates, e, make sum(events * e - hours * exp(e)) - weight
    / 2 * sum((second differences of e)^2) as large as it can be: with weight 0 the raw rates, with a large one an
    exponential curve. A trace of ridge towards the fleet's own rate holds bands without events or hours. `near`: rates
    (bands) to begin the search at; they do not move what is found. Source: Eilers & Marx 1996, Statistical Science 11,
    89-121; Whittaker 1923 for the penalty.
    """
    curve, _ = _fitted(events, hours, weight, None if near is None else np.log(near))
    return np.asarray(np.exp(curve))


def smoothness(events: Array, hours: Array) -> float:
    """Weight of the penalty for sites' events by band, (sites, bands): that of the lowest information criterion.

    The Bayesian criterion (Schwarz 1978) with the deviance divided by how much more events scatter between sites than
    independent ones would, so that a few sites with many episodes do not draw bumps.
    Source: Currie, Durban & Eilers 2004, Statistical Modelling 4, 279-298 (this criterion for smoothed Poisson rates).
    """
    all_events, all_hours = events.sum(axis=0), hours.sum(axis=0)
    rate = np.divide(all_events, all_hours, out=np.zeros_like(all_hours), where=all_hours > 0)
    scatter = max(1.0, float(np.sum((events - rate * hours) ** 2) / max(np.sum(all_events), 1.0)))
    bands = np.sum(all_hours > 0)
    found = []
    for weight in 10.0 ** np.arange(-1.0, 6.5, 0.5):
        curve, freedom = _fitted(all_events[None], all_hours[None], weight)
        expected = all_hours * np.exp(curve[0])
        with np.errstate(divide="ignore", invalid="ignore"):
            own = np.where(all_events > 0, all_events * np.log(all_events / expected), 0.0)
        deviance = 2 * np.sum(own - (all_events - expected))
        found.append((deviance / scatter + np.log(bands) * freedom[0], weight))
    return float(min(found)[1])


def _fitted(events: Array, hours: Array, weight: float, start: Array | None = None) -> tuple[Array, Array]:
    """Logarithms of the rates by Newton's method, and the degrees of freedom that each fleet's curve takes."""
    bands = events.shape[1]
    centre = np.log((events.sum(axis=1, keepdims=True) + 0.5) / np.maximum(hours.sum(axis=1, keepdims=True), 1.0))
    bends = np.diff(np.eye(bands), 2, axis=0) if bands > 2 else np.zeros((0, bands))
    penalty = weight * bends.T @ bends + _RIDGE * np.eye(bands)
    curve = np.repeat(centre, bands, axis=1) if start is None else np.repeat(start[None], len(events), axis=0)
    for _ in range(_STEPS):
        expected = hours * np.exp(curve)
        slope = events - expected - (curve - centre) @ penalty
        step = np.linalg.solve(_information(expected) + penalty, slope[..., None])[..., 0]
        longest = np.max(np.abs(step), axis=1, keepdims=True)
        curve = curve + step * np.minimum(1.0, _FURTHEST / np.maximum(longest, 1e-12))
        if np.max(longest) < 1e-6:
            break
    information = _information(hours * np.exp(curve))
    freedom = np.trace(np.linalg.solve(information + penalty, information), axis1=1, axis2=2)
    return curve, np.asarray(freedom)


def _information(expected: Array) -> Array:
    return np.asarray(expected[:, :, None] * np.eye(expected.shape[1]))
