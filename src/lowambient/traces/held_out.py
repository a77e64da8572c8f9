"""How likely the stop before each rest began a lockout: log odds from the trip, the call, the dive and the duty."""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import minimum_filter1d

from lowambient.traces.circuit import Array, Mask, Trace
from lowambient.traces.runs import Indices, Running
from lowambient.traces.stops import Stops

START = 0.5
"""Log odds before anything is looked at where duty and dive stand half way (judgement: neither is likelier)."""
BY_TRIP, MOST_BY_TRIP = 0.35, 4.0
"""Weight of the log odds of a trip, and the most of them: they rest on some of the same signs (judgement)."""
NEUTRAL_DUTY, PER_DECADE, LEAST_DUTY, MOST_DUTY = 0.025, 3.0, 0.005, 0.125
"""Log odds for each tenfold smaller share of running in a run and the rest after it. A machine that cools all year is
sized for several times its least load, so a fortieth is hardly a thermostat's, and an eighth mostly is (judgement)."""
NO_DIVE, NO_DIVE_AT, DIVE_UNKNOWN = -2.5, 20.0, 0.3
"""Log odds where suction about the stop stays so many deviations of a reading over the cut-out, in proportion under
that; and the share of them where no cut-out is known (judgement)."""
ABOUT_S, FEWEST_ABOUT = 90.0, 2
"""Suction is looked at so long about a stop, which the split shows late and a lagging sensor later (judgement)."""
CALLED, NOT_CALLED = 3.0, -9.0
"""Log odds from a call that stands, or does not, while the compressor rests; the duty then says nothing."""
SIDES_APART, APART = -4.0, 1.12
"""Log odds where head stays so far over suction [-] in a rest of a circuit that may pump down: its solenoid is shut, so
no cooling is called for. With it open both sides come together (physics; sensors disagree by 5 to 10 %)."""
SETTLED_S = 900.0
"""Sides that have not come together by then are apart (judgement)."""


@dataclass(frozen=True)
class Rests:
    """Grain: rest. Arrays (rests,): `first` and `last` sample, whether a start that was seen ends it, how long it lasts,
    s, and the number of the stop that began it, -1 where that was not seen."""

    first: Indices
    last: Indices
    restarts: Mask
    lasts_s: Array
    stop: Indices

    def __len__(self) -> int:
        return len(self.first)

    @property
    def seen(self) -> Mask:
        """Rests whose stop was seen."""
        return self.stop >= 0

    def of_stop(self, values: Array | Mask, unseen: float) -> Array:
        """A value of each rest's stop, `unseen` where that was not seen."""
        if len(values) == 0:
            return np.full(len(self), float(unseen))
        return np.where(self.seen, values[np.maximum(self.stop, 0)], unseen)


def rests_of(trace: Trace, running: Running, stops: Stops, shortest_s: float) -> Rests:
    """Rests of at least `shortest_s`, those too whose beginning was not seen."""
    spans = running.spans
    lasts_s = trace.at_s[spans.last] - trace.at_s[spans.first] + trace.step_s
    which = np.flatnonzero(~spans.on & (lasts_s >= shortest_s))
    after = np.minimum(which + 1, max(len(spans.on) - 1, 0))
    restarts = (which + 1 < len(spans.on)) & spans.follows[after] & spans.on[after]
    first = spans.first[which]
    place = np.searchsorted(stops.first_off, first)
    found = place < len(stops)
    found[found] = stops.first_off[place[found]] == first[found]
    return Rests(first, spans.last[which], restarts, lasts_s[which], np.where(found, place, -1))


def log_odds(
    trace: Trace,
    stops: Stops,
    rests: Rests,
    probability: Array,
    low_switch: tuple[float | None, float],
    duty: str | None,
) -> Array:
    """Log odds (rests,) that cooling was wanted and held out when each rest began; -inf where its stop was not seen.

    `probability` (stops,) of a trip; `low_switch`: cut-out, absolute kPa, null where not known, and the doubt of a
    reading of suction, kPa.
    """
    capped = np.clip(np.nan_to_num(probability), 1e-3, 1 - 1e-3)
    by_trip = np.clip(np.log(capped / (1 - capped)), -MOST_BY_TRIP, MOST_BY_TRIP)
    called = rests.of_stop(stops.still_called, np.nan)
    by_call = np.where(called == 1, CALLED, np.where(called == 0, NOT_CALLED, _by_duty(stops, rests, duty)))
    odds = START + BY_TRIP * rests.of_stop(by_trip, 0.0) + by_call + _by_dive(trace, rests, *low_switch)
    return np.where(rests.seen, odds, -np.inf)


def _by_duty(stops: Stops, rests: Rests, duty: str | None) -> Array:
    """From the share of running: for a unit that need not cool all year a small one says nothing."""
    run_s = np.maximum(rests.of_stop(stops.run_s, np.inf), 1.0)
    with np.errstate(invalid="ignore"):
        share = np.where(np.isfinite(run_s), run_s / (run_s + rests.lasts_s), MOST_DUTY)
    decades = np.log10(NEUTRAL_DUTY / np.clip(share, LEAST_DUTY, MOST_DUTY))
    return np.asarray(PER_DECADE * (np.minimum(decades, 0.0) if duty == "comfort" else decades))


def _by_dive(trace: Trace, rests: Rests, cut_out_kpa: float | None, noise_kpa: float) -> Array:
    """From how far over the cut-out suction stayed about each stop."""
    if cut_out_kpa is None:
        return np.full(len(rests), NO_DIVE * DIVE_UNKNOWN)
    suction = trace["suction_kpa"]
    reach = max(FEWEST_ABOUT, int(np.ceil(ABOUT_S / trace.step_s)))
    lowest = minimum_filter1d(np.where(np.isfinite(suction), suction, np.inf), size=2 * reach + 1, mode="nearest")
    over = (lowest[rests.first] - cut_out_kpa) / noise_kpa / NO_DIVE_AT
    return np.asarray(NO_DIVE * np.where(np.isfinite(over), np.clip(over, 0.0, 1.0), DIVE_UNKNOWN))


def sides_apart(trace: Trace, first: int, last: int) -> bool:
    """Whether head stands over suction for most of a rest, once both have had time to come together."""
    part = slice(first, last + 1)
    settled = trace.at_s[part] - trace.at_s[first] >= SETTLED_S
    ratio = trace.head_kpa[part][settled] / trace["suction_kpa"][part][settled]
    ratio = ratio[np.isfinite(ratio)]
    return bool(len(ratio) and np.median(ratio) > APART)
