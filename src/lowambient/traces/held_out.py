"""How likely the stop before each rest began a lockout: log odds from the trip, its approach, the call, the duty, the
two sides at rest, the clock and the outdoor air."""

from dataclasses import dataclass

import numpy as np

from lowambient.traces.circuit import Array, Mask, Trace
from lowambient.traces.evidence import LEAST_RUN_S
from lowambient.traces.runs import Indices, Running, Spans
from lowambient.traces.stops import Stops, coldest_run_c

START = 0.5
"""Log odds before anything is looked at, where duty and approach say nothing (judgement: about as likely as not)."""
BY_TRIP, MOST_BY_TRIP = 0.25, 4.0
"""Weight of the log odds of a trip, and the most of them: they rest on some of the same signs (judgement)."""
NEUTRAL_DUTY, PER_DECADE, LEAST_DUTY, MOST_DUTY = 0.025, 3.5, 0.005, 0.125
"""Log odds for each tenfold smaller share of running in a run and the rest after it. A machine that cools all year is
sized for several times its least load, so a fortieth is hardly a thermostat's, and an eighth mostly is (judgement)."""
FAILED_START = 1.0
"""The most of it for a unit which may stand all night, after a run that no thermostat ends so soon (judgement)."""
FAR, FAR_AT, REACH_UNKNOWN = -2.5, 20.0, 0.3
"""Log odds where about the stop both pressures stay so many deviations of a reading on the near side of their switch,
in proportion under that; and the share of them where no cut-out is known (judgement)."""
ABOUT_S, FEWEST_ABOUT = 90.0, 2
"""They are looked at so long about a stop, which the split shows late and a lagging sensor later (judgement)."""
CALLED, NOT_CALLED = 3.0, -9.0
"""Log odds from a call that stands, or does not, while the compressor rests; the duty then says nothing."""
APART, SIDES_APART, SIDES_TOGETHER, TOGETHER_UNDER_RESET, APART_SHARE = 1.12, -4.0, 2.0, 1.0, 0.5
"""Head over suction [-] in the middle of a rest, beyond sensors that disagree by 5 to 10 %, and log odds. A unit that
pumps down shuts its solenoid when cooling is no longer wanted, and its sides stay apart; where they come together the
solenoid stands open and cooling is wanted (physics); less so under the reset, to which a shut-off low side may climb.
Where no list tells, a unit pumps down if that share of its rests is apart."""
MIDDLE = 2
"""Samples before and after the middle of a rest that are taken with it."""
NO_LATCH = -3.0
"""Log odds where a rest stands above the reset of a board that has let the circuit try on and on (judgement)."""
BY_CLOCK, CLOCK_S, FEWEST_DAYS, DAYS_SHARE, SHORTEST_BY_CLOCK_S = -3.0, 900.0, 3, 0.25, 7200.0
"""Log odds where a long rest began and ended at the time of day of so many others that began with no sign of a trip, a
quarter of those alike: a time clock (judgement)."""
NIGHT_S = 6 * 3600.0
"""So long a rest by the clock may be a night: there a trip that is less likely than not is no sign (judgement)."""
BY_AMBIENT, NEAR_K, FEWEST_HELD, HELD_SHARE = -4.0, 1.0, 4, 0.6
"""Log odds where most of the rests that nothing else explains began within so many kelvin of the coldest air in which
the circuit ever ran: a control that lets nothing run below an outdoor temperature (judgement)."""
DAY_S = 86400.0


@dataclass(frozen=True)
class Rests:
    """Grain: rest. Arrays (rests,): `first` and `last` sample, whether a start that was seen ends it, its
    length, s, and the number of the stop that began it, -1 where that was not seen."""

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


@dataclass(frozen=True)
class Standing:
    """What a circuit at rest is judged by: where the low-pressure switch resets, and both switches cut out, absolute
    kPa, null where not known; the doubt of a reading of suction and of head, kPa; the listed duty and pump-down."""

    reset_kpa: float | None
    noises_kpa: tuple[float, float]
    duty: str | None
    cut_outs_kpa: tuple[float | None, float | None] = (None, None)
    pumps_down: bool | None = None
    may_heat: bool = False
    """A heat pump of which no mode is logged."""
    latches: bool = True
    """Whether a board may hold the circuit out above the reset after low-pressure trips."""
    coldest_run_c: float = np.nan
    """Outdoor temperature under which the circuit hardly ever ran, degC; NaN where no call is logged."""


def rests_of(trace: Trace, running: Running, stops: Stops, shortest_s: float) -> Rests:
    """Rests of at least `shortest_s`, those too whose beginning was not seen; one before and after a gap of the log is
    one rest where it had lasted longer than the gap, in which it then hardly ended (a rest ends as likely in any hour).
    """
    spans = running.spans
    begins = np.flatnonzero(_begins(trace.at_s, spans))
    ends = np.append(begins, len(spans.on))[1:] - 1
    lasts_s = trace.at_s[spans.last[ends]] - trace.at_s[spans.first[begins]] + trace.step_s
    kept = ~spans.on[begins] & (lasts_s >= shortest_s)
    first, ends = spans.first[begins[kept]], ends[kept]
    after = np.minimum(ends + 1, max(len(spans.on) - 1, 0))
    restarts = (ends + 1 < len(spans.on)) & spans.follows[after] & spans.on[after]
    place = np.searchsorted(stops.first_off, first)
    found = place < len(stops)
    found[found] = stops.first_off[place[found]] == first[found]
    return Rests(first, spans.last[ends], restarts, lasts_s[kept], np.where(found, place, -1))


def _begins(at_s: Array, spans: Spans) -> Mask:
    """Spans (spans,) that do not go on from the one before: two rests in a row part at a gap only."""
    begins = np.ones(len(spans.on), dtype=bool)
    since = -1
    for place in np.flatnonzero(~spans.on[1:] & ~spans.on[:-1]).tolist():
        if begins[place]:
            since = place
        before_s, after_s = at_s[spans.last[place]], at_s[spans.first[place + 1]]
        begins[place + 1] = after_s - before_s > before_s - at_s[spans.first[since]]
    return begins


def log_odds(
    trace: Trace, running: Running, stops: Stops, rests: Rests, probability: Array, standing: Standing
) -> Array:
    """Log odds (rests,) that cooling was wanted and held out when each rest began; -inf where its stop was not seen.

    `probability` (stops,): how likely each stop is a trip of either switch. The clock and the outdoor air are looked at
    only where no call is seen to stand, or no call is logged.
    """
    capped = np.clip(np.nan_to_num(probability), 1e-3, 1 - 1e-3)
    by_trip = np.clip(np.log(capped / (1 - capped)), -MOST_BY_TRIP, MOST_BY_TRIP)
    called = rests.of_stop(stops.still_called, np.nan)
    unlogged = (
        _by_duty(stops, rests, standing.duty) + _by_sides(trace, rests, standing) + _by_reset(trace, rests, standing)
    )
    by_call = np.where(called == 1, CALLED, np.where(called == 0, NOT_CALLED, unlogged))
    odds = START + BY_TRIP * rests.of_stop(by_trip, 0.0) + by_call + _by_reach(trace, rests, standing)
    odds = np.where(rests.seen, odds, -np.inf)
    no_sign = (odds <= 0) | ((rests.of_stop(by_trip, 0.0) < 0) & (rests.lasts_s >= NIGHT_S))
    odds += np.where(np.isnan(called), _by_clock(trace, stops, rests, no_sign), 0.0)
    unexplained = (odds > 0) & (rests.of_stop(by_trip, 0.0) < 0)
    return odds + _by_ambient(trace, running, rests, unexplained)


def _by_duty(stops: Stops, rests: Rests, duty: str | None) -> Array:
    """From the share of running: for a unit that need not cool all year a small one says little."""
    run_s = np.maximum(rests.of_stop(stops.run_s, np.inf), 1.0)
    with np.errstate(invalid="ignore"):
        share = np.where(np.isfinite(run_s), run_s / (run_s + rests.lasts_s), MOST_DUTY)
    found = PER_DECADE * np.log10(NEUTRAL_DUTY / np.clip(share, LEAST_DUTY, MOST_DUTY))
    if duty != "comfort":
        return np.asarray(found)
    failed = run_s + rests.of_stop(stops.wait_s, 0.0) / 2 < LEAST_RUN_S
    return np.minimum(found, np.where(failed, FAILED_START, 0.0))


def _by_reach(trace: Trace, rests: Rests, standing: Standing) -> Array:
    """From how near either pressure came to its switch about each stop."""
    reach = max(FEWEST_ABOUT, int(np.ceil(ABOUT_S / trace.step_s)))
    about = np.clip(rests.first + np.arange(-reach, reach + 1)[:, None], 0, len(trace) - 1)
    sides = zip(
        (1.0, -1.0), (trace["suction_kpa"], trace.head_kpa), standing.cut_outs_kpa, standing.noises_kpa, strict=True
    )
    away = np.full(len(rests), np.inf)
    for sign, channel, cut_out_kpa, noise_kpa in sides:
        if cut_out_kpa is not None:
            nearest = np.fmin.reduce(sign * channel[about], axis=0)
            away = np.minimum(away, (nearest - sign * cut_out_kpa) / noise_kpa / FAR_AT)
    known = np.isfinite(away) & (standing.cut_outs_kpa[0] is not None)
    return np.asarray(FAR * np.where(known, np.clip(away, 0.0, 1.0), REACH_UNKNOWN))


def _middle(channel: Array, rests: Rests) -> Array:
    """Mean of a channel about the middle of each rest (rests,); NaN where all is missing."""
    middle = (rests.first + rests.last) // 2
    around = [np.clip(middle + n, rests.first, rests.last) for n in range(-MIDDLE, MIDDLE + 1)]
    values = channel[np.stack(around)]
    known = np.isfinite(values)
    with np.errstate(invalid="ignore"):
        return np.asarray(np.where(known, values, 0.0).sum(axis=0) / known.sum(axis=0))


def _by_sides(trace: Trace, rests: Rests, standing: Standing) -> Array:
    """From whether head and suction come together: nothing for a unit that does not pump down."""
    if standing.pumps_down is False or len(rests) == 0:
        return np.zeros(len(rests))
    suction = _middle(trace["suction_kpa"], rests)
    with np.errstate(invalid="ignore"):
        apart = _middle(trace.head_kpa, rests) > APART * suction
    if not standing.pumps_down and apart.mean() < APART_SHARE:
        return np.where(apart, SIDES_APART, 0.0)
    under = suction < (standing.reset_kpa or 0.0) + 1.5 * standing.noises_kpa[0]
    return np.where(apart, SIDES_APART, np.where(under, TOGETHER_UNDER_RESET, SIDES_TOGETHER))


def _by_reset(trace: Trace, rests: Rests, standing: Standing) -> Array:
    """From a pressure at which the switch had let go, where no board is known to latch."""
    if standing.latches or standing.reset_kpa is None:
        return np.zeros(len(rests))
    above = _middle(trace["suction_kpa"], rests) > standing.reset_kpa + 1.5 * standing.noises_kpa[0]
    return np.where(above, NO_LATCH, 0.0)


def _by_clock(trace: Trace, stops: Stops, rests: Rests, no_sign: Mask) -> Array:
    """From other rests that began and ended at the same time of day, most of them with `no_sign` of a trip (rests,);
    not where the start before failed at that time too: that is the call's clock, and the rest lasts until it calls."""
    found = np.zeros(len(rests))
    run_s = rests.of_stop(stops.run_s, 0.0)
    long = np.flatnonzero((rests.lasts_s >= SHORTEST_BY_CLOCK_S) & rests.restarts & np.isfinite(run_s))
    begin, end = trace.at_s[rests.first[long]] % DAY_S, trace.at_s[rests.last[long]] % DAY_S
    fails = _round_clock(begin - run_s[long] - end) <= CLOCK_S
    alike = (_on_clock(begin) <= CLOCK_S) & (_on_clock(end) <= CLOCK_S)
    np.fill_diagonal(alike, val=False)
    plain = (alike & no_sign[long][None, :]).sum(axis=1)
    found[long[(plain >= FEWEST_DAYS) & (plain >= DAYS_SHARE * alike.sum(axis=1)) & ~fails]] = BY_CLOCK
    return found


def _on_clock(of_day_s: Array) -> Array:
    """How far times of day are apart, s; shape (times, times)."""
    return _round_clock(of_day_s[:, None] - of_day_s[None, :])


def _round_clock(apart_s: Array) -> Array:
    """How far two times of day are apart, s, from their difference."""
    within = np.abs(apart_s) % DAY_S
    return np.asarray(np.minimum(within, DAY_S - within))


def _by_ambient(trace: Trace, running: Running, rests: Rests, unexplained: Mask) -> Array:
    """From the outdoor air in which rests began that no trip explains, against the coldest in which the circuit ran."""
    if unexplained.sum() < FEWEST_HELD:
        return np.zeros(len(rests))
    near = unexplained & (np.abs(trace.outdoor_c[rests.first] - coldest_run_c(trace, running)) <= NEAR_K)
    return np.where(near & (near.sum() >= HELD_SHARE * unexplained.sum()), BY_AMBIENT, 0.0)
