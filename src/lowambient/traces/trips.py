"""Which stops are trips of a pressure switch, judged together with where that switch acts.

A stop is a trip when the pressure reached the switch while cooling was still wanted. Neither where the switch acts nor
which stops are its doing is known beforehand, so both are learned: for each pressure that the cut-out may have, each
stop is weighed as a trip against an ordinary stop, which finds the circuit at any pressure that it usually runs at.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import expit, logit

from lowambient.traces.brackets import (
    REPEATABILITY_KPA,
    Estimate,
    Events,
    believed,
    estimate,
    grid_kpa,
    log_bounds,
    log_likelihood,
    share_below,
)
from lowambient.traces.circuit import Array, Mask, Trace
from lowambient.traces.evidence import closed_again, log_odds
from lowambient.traces.habits import habits_of, may_be_latched
from lowambient.traces.known import Known
from lowambient.traces.ranks import quantiles
from lowambient.traces.runs import Indices, Running
from lowambient.traces.sides import Side, high_side, low_side
from lowambient.traces.stops import Stops

SEEN_TWICE = 1.25
"""Logging intervals that a stretch with two samples in it outlasts as logged, and one with a single sample does not."""
FASTEST_FLICKER_S = 20.0
"""In a faster log the split is averaged over more than two samples: no flicker leaves a stop in it (judgement)."""
DIVED_NOISES = 5.0
"""Noises by which a run that leaves one sample in the split moves the pressure, and a flicker does not."""
FAILED_START_OFF_S = 900.0
"""A rest this long after a run within two samples is a start that failed (judgement)."""
PRIOR_TRIP = 0.15
"""Share of stops that are trips, to begin with (judgement); then that of the circuit itself."""
DIVE_SHARE = 0.25
"""Share of trips whose pressure went between two samples, so that the last reading says only on which side it was."""
LATE_SHARE_ON_START, LATE_SHARE = 0.25, 0.05
"""Share of trips that find the pressure beyond the switch already: it bides a start's time, or somebody held it in."""
FASTEST_KPA_S = {-1.0: 5.0, 1.0: 15.0}
"""How fast suction dives and head climbs at most before a trip, for such an unseen approach (judgement)."""
FASTEST_FOR_S = {-1.0: np.inf, 1.0: 60.0}
"""How long at most: head nears what its fans leave it at (judgement)."""
ORDINARY_BEYOND = 0.05
"""Share of ordinary stops that a switch beyond which they lie lets happen: a delay, a jumper, a wrong setting."""
CHANGE, CHANGE_DAYS = 8.0, 24
"""Log odds against a jumper put in or taken out, and the days on which it is looked for."""
RUN_BEYOND = 4.0
"""Log odds against a switch at a pressure from each run that settled beyond it."""
SURE = 0.6
"""Certainty from which a stop is called a trip (judgement: a false trip misleads more than a missed one)."""
ANY_SETTING = 0.04
"""Weight of any setting at all, beside 3 of the listed and 1 of the usual one (judgement)."""
TRIPS_BELIEVED, RUNS_BELIEVED = 0.85, 0.85
"""Share of bounds that hold: some trips are none, some runs had a jumper or a start delay (judgement)."""
CROSSED_OVER_S = 60.0
NEAR = 0.95
"""Share of the least high-pressure cut-out under which head has not come near one (judgement)."""
SPEAK_FOR_THEMSELVES = {-1.0: 6.0, 1.0: 12.0}
"""Stops that do; more of them share what this model leaves out, and outvote nobody's list: on the low side the more so,
since short runs and timed rests are a habit of them all (judgement)."""
ROUNDS = 3
"""Times that stops and switch are judged by each other."""
MOST_STOPS = 300
"""Stops that the cut-out is learned from; more are thinned evenly."""


Span = tuple[float, float]


@dataclass(frozen=True)
class Judged:
    """Probability that each stop is a trip (stops,), and where the switch acts, null where that cannot be told.

    `opened`: the switch itself was seen to open, 1, 0 or NaN where it is not logged. `from_split`: stops are read from
    the pressures alone; `dived` (stops,): those whose run moved the pressure by far more than noise, so that it was
    one. `jumpered`: a stretch, seconds since 1970, in which the switch did not act, null without one; `through`: runs
    in it that settled beyond the switch. `latches`: a board may hold the circuit out after trips.
    """

    probability: Array
    opened: Array
    cut_out: Estimate | None
    from_split: bool = False
    dived: Mask | bool = False
    jumpered: Span | None = None
    through: int = 0
    latches: bool = True

    def trips(self, stops: Stops, step_s: float) -> Mask:
        """Stops that are more likely a trip than not, and that can be told from a flicker of the log.

        A run or a rest within two samples could be either; it counts where the call or the switch itself was seen (the
        call only if the state itself is logged, or the pressure shows that it ran), or where a long rest follows a
        start that failed. So trips that come as fast as the samples are a lower bound.
        """
        averaged = self.from_split and step_s <= FASTEST_FLICKER_S
        lasts = averaged | (stops.off_s > SEEN_TWICE * step_s)
        is_run = self.dived | (not self.from_split)
        is_seen = ((stops.still_called == 1) & lasts & is_run) | (self.opened == 1)
        ran = stops.run_s > SEEN_TWICE * step_s
        outlasts = lasts & (ran | (stops.off_s > FAILED_START_OFF_S))
        return np.asarray((self.probability > SURE) & (is_seen | outlasts))


def low_pressure(trace: Trace, running: Running, stops: Stops, known: Known, noise_kpa: float) -> Judged:
    """Trips of the low-pressure switch."""
    return _judge(low_side(trace, running, stops), stops, _allowed(stops), known, noise_kpa)


def high_pressure(trace: Trace, running: Running, stops: Stops, known: Known, noise_kpa: float) -> Judged:
    """Trips of the high-pressure switch."""
    return _judge(high_side(trace, running, stops), stops, stops.cooling, known, noise_kpa)


def _allowed(stops: Stops) -> Mask:
    """Stops in cooling that no pump-down explains: with the liquid solenoid shut a low-pressure stop is as designed."""
    return np.asarray(stops.cooling & (stops.solenoid_shut != 1))


def _log_prior(known: Known, grid: Array) -> Array:
    """What is known of the switch beforehand (judgement: one list in four is wrong, and then the usual is likely)."""
    parts = [] if known.listed_kpa is None else [(known.listed_kpa, 25.0, 3.0)]
    parts += [] if known.usual_kpa is None else [(known.usual_kpa, 0.12 * known.usual_kpa, 1.0)]
    density = np.full(len(grid), ANY_SETTING / (grid[-1] - grid[0]))
    for middle, sd, weight in parts:
        density += weight * np.exp(-0.5 * ((grid - middle) / sd) ** 2) / sd
    return np.asarray(np.log(density))


def _judge(side: Side, stops: Stops, allowed: Mask, known: Known, noise_kpa: float) -> Judged:
    grid = _grid(side, known)
    log_prior = _log_prior(known, grid)
    read = np.flatnonzero(np.isfinite(side.reading_kpa) & stops.cooling)
    blur = float(np.hypot(noise_kpa, REPEATABILITY_KPA))
    habits = habits_of(side, stops, known, blur)
    other = log_odds(side, stops, allowed, known, habits, blur)
    probability = _by_other_evidence(side, stops, other)
    unknown = known.limit_kpa is None and known.listed_kpa is None
    if len(read) == 0 or unknown or _never_near(side, stops, read, known):
        return Judged(probability, side.opened, None, known.from_split)
    thinned = read[:: 1 + len(read) // MOST_STOPS]
    ordinary = _ordinary_density(side, blur)
    beyond = side.sign * side.runs_kpa[:, None] > side.sign * grid[None, :] + 2 * blur
    share, share_heard = PRIOR_TRIP, min(1.0, SPEAK_FOR_THEMSELVES[side.sign] / len(thinned))
    trip_density = _trip_density(side, stops, thinned, grid, blur)
    held_short = _held_short(side, thinned, grid, blur)
    runs = RUN_BEYOND * _summed(beyond)
    enough = len(side.runs_at_s) > CHANGE_DAYS
    days = np.quantile(side.runs_at_s, np.linspace(0.05, 0.95, CHANGE_DAYS)) if enough else np.empty(0)
    for _ in range(ROUNDS):
        odds = np.exp(other + closed_again(side, probability))
        as_trip = share * odds[thinned, None] * trip_density
        as_other = (1 - share) * ordinary[thinned, None]
        log_posterior, spans = _with_jumper(
            side,
            side.at_s[thinned],
            np.log(as_trip + as_other * held_short),
            np.log(as_other),
            runs,
            days,
        )
        best = int(np.argmax(log_prior + share_heard * log_posterior))
        as_trip = share * odds[read] * _trip_density(side, stops, read, grid[[best]], blur)[:, 0]
        as_other = (1 - share) * ordinary[read] * _held_short(side, read, grid[[best]], blur)[:, 0]
        jumpered = _within(side.at_s[read], spans[best]) & ~_speaks(side, stops)[read]
        probability[read] = np.where(jumpered, 0.0, as_trip / (as_trip + as_other))
        share = float(np.clip(probability[read].mean(), 0.05, 0.9))
    cut_out = _cut_out(side, stops, probability, grid, log_prior, noise_kpa)
    through = int((beyond[:, best] & _within(side.runs_at_s, spans[best])).sum())
    latches = may_be_latched(side, stops, habits.timed & stops.on_start & (probability > SURE))
    dived = _dived(side, noise_kpa)
    return Judged(probability, side.opened, cut_out, known.from_split, dived, spans[best], through, latches)


def _dived(side: Side, noise_kpa: float) -> Mask:
    """Stops (stops,) at which the pressure stood far from where it stands in the rest that follows."""
    return np.asarray(side.sign * (side.reading_kpa - side.rested_kpa) > DIVED_NOISES * noise_kpa)


def _by_other_evidence(side: Side, stops: Stops, other: Array) -> Array:
    """Probability of each stop without its pressure: nothing but where the switch was seen open, or, in a circuit whose
    pressure is read now and then, a call that stood."""
    seen = _speaks(side, stops) if np.isfinite(side.reading_kpa).any() else side.opened == 1
    return np.where(seen, expit(other + logit(PRIOR_TRIP)), 0.0)


def _speaks(side: Side, stops: Stops) -> Mask:
    """Stops for which the call (on the low side) or the switch itself was seen to speak for a trip."""
    return np.asarray((side.opened == 1) | ((stops.still_called == 1) & (side.sign < 0)))


def _never_near(side: Side, stops: Stops, read: Indices, known: Known) -> bool:
    """Whether head never came near where a high-pressure switch may act, nor at its rate did until the stop was seen;
    suction may dive between two samples."""
    if side.sign < 0 or known.limit_kpa is None:
        return False
    reached_kpa = side.reading_kpa[read] + side.rate_kpa_s[read] * stops.wait_s[read]
    return bool(reached_kpa.max() < NEAR * known.limit_kpa)


def _within(at_s: Array, span: Span | None) -> Mask:
    return np.zeros(len(at_s), dtype=bool) if span is None else np.asarray((at_s >= span[0]) & (at_s < span[1]))


def _with_jumper(
    side: Side, stops_at_s: Array, active: Array, jumpered: Array, runs: Array, days: Array
) -> tuple[Array, list[Span | None]]:
    """Log likelihood of each pressure of the grid, with the stretch in which its switch did not act, or null.

    `active` (stops, grid) and `jumpered` (stops, 1): log likelihoods of the stops with and without a switch; `runs`
    (runs + 1, grid): log odds summed over runs that settled beyond a pressure: each speaks against a switch that acts
    there, as a run that it did not stop. From one of the `days` on, or up to it, the switch may have been jumpered,
    which then explains them.
    """
    on, off = _summed(active), np.broadcast_to(_summed(jumpered), (len(active) + 1, active.shape[1]))
    found = on[-1] - runs[-1]
    spans: list[Span | None] = [None] * len(found)
    if len(days) == 0:
        return found, spans
    stop, run = np.searchsorted(stops_at_s, days), np.searchsorted(side.runs_at_s, days)
    later = on[stop] + off[-1] - off[stop] - runs[run] - CHANGE
    earlier = off[stop] + on[-1] - on[stop] - (runs[-1] - runs[run]) - CHANGE
    totals = np.stack([later, earlier], axis=1).reshape(-1, len(found))
    best = totals.argmax(axis=0)
    for place in np.flatnonzero(totals.max(axis=0) > found):
        day = float(days[best[place] // 2])
        spans[place] = (-np.inf, day) if best[place] % 2 else (day, np.inf)
    return np.maximum(found, totals.max(axis=0)), spans


def _summed(values: Array | Mask) -> Array:
    return np.concatenate([np.zeros((1, values.shape[1])), np.cumsum(values, axis=0)])


def _grid(side: Side, known: Known) -> Array:
    """Every pressure that the stops, the steady running or the list name, within what such a switch may be set to."""
    seen = np.concatenate([side.reading_kpa[np.isfinite(side.reading_kpa)], side.steady_kpa])
    ends = list(quantiles(seen, [0.001, 0.999])) if len(seen) else []
    ends += [each for each in (known.listed_kpa, known.usual_kpa) if each is not None]
    low, high = max(0.6 * min(ends, default=100.0), 20.0), 1.15 * max(ends, default=1000.0)
    limit = known.limit_kpa
    if limit is not None:
        low, high = (low, min(high, limit)) if side.sign < 0 else (max(low, limit), max(high, 1.2 * limit))
    return grid_kpa(min(low, 0.9 * high), high)


def _trip_density(side: Side, stops: Stops, which: Indices, grid: Array, blur: float) -> Array:
    """Density of each stop's reading if the switch acts at each pressure of the grid, 1/kPa; shape (which, grid)."""
    acts = side.sign * grid[None, :]
    reading = (side.sign * side.reading_kpa[which])[:, None]
    rate = np.abs(side.rate_kpa_s[which])[:, None]
    width = np.maximum(rate * (stops.wait_s[which][:, None] + 15.0), blur)
    tight = (share_below((acts - reading + blur) / blur) - share_below((acts - reading - width) / blur)) / (
        width + blur
    )
    unseen_s = stops.wait_s[which][:, None] + 15.0
    reach = FASTEST_KPA_S[side.sign] * np.minimum(unseen_s, FASTEST_FOR_S[side.sign])
    anywhere = FASTEST_KPA_S[side.sign] * unseen_s
    short_of = share_below((acts - reading) / blur)
    dive = (short_of - share_below((acts - reading - reach) / blur)) / (anywhere + blur)
    late = np.where(stops.on_start[which] & (side.sign < 0), LATE_SHARE_ON_START, LATE_SHARE)[:, None]
    passed = (1 - short_of) / np.maximum(0.6 * grid[None, :], 70.0)
    return np.asarray((1 - DIVE_SHARE - late) * tight + DIVE_SHARE * dive + late * passed)


def _held_short(side: Side, which: Indices, grid: Array, blur: float) -> Array:
    """Factor on an ordinary stop whose reading lies beyond the switch: it would have stopped before; (which, grid)."""
    beyond = side.sign * (side.reading_kpa[which][:, None] - grid[None, :]) / blur
    return np.asarray(ORDINARY_BEYOND + (1 - ORDINARY_BEYOND) * share_below(2.0 - beyond))


def _ordinary_density(side: Side, blur: float) -> Array:
    """Density of each stop's reading if it is an ordinary one, 1/kPa: as its own run ran, or as the circuit runs."""
    readings = np.nan_to_num(side.reading_kpa)
    away = (readings - side.run_kpa) / np.hypot(side.run_sd_kpa, blur)
    own = np.nan_to_num(np.exp(-0.5 * away**2) / (np.hypot(side.run_sd_kpa, blur) * np.sqrt(2 * np.pi)))
    if len(side.steady_kpa) < 20:
        return np.asarray(0.6 * own + 0.4 / 1000.0)
    low, high = side.steady_kpa.min() - 100.0, side.steady_kpa.max() + 100.0
    edges = np.linspace(low, high, max(int((high - low) / (2 * blur)), 4))
    density, _ = np.histogram(side.steady_kpa, bins=edges, density=True)
    smooth = np.convolve(density, [0.25, 0.5, 0.25], mode="same")
    anywhere = np.interp(readings, (edges[1:] + edges[:-1]) / 2, smooth, left=0.0, right=0.0)
    return np.asarray(0.6 * own + 0.3 * anywhere + 0.1 / (high - low))


def _cut_out(
    side: Side, stops: Stops, probability: Array, grid: Array, log_prior: Array, noise_kpa: float
) -> Estimate | None:
    """The cut-out from the trips that ended a settled run by crossing it; null with fewer than two of them.

    Other trips found the pressure beyond it already, and runs that settled on the near side did not reach it.
    """
    blur = float(np.hypot(noise_kpa, REPEATABILITY_KPA))
    is_trip = probability > SURE
    clear = is_trip & ~stops.on_start & _crossed(side, blur)
    if clear.sum() < 2:
        return None
    rate = side.sign * np.abs(side.rate_kpa_s[clear])
    events = Events(side.reading_kpa[clear], rate, rate * stops.wait_s[clear], probability[clear])
    is_low = side.sign < 0
    log_posterior = (
        log_prior
        + log_likelihood(events, grid, noise_kpa)
        + log_bounds(grid, side.reading_kpa[is_trip & ~clear], blur, TRIPS_BELIEVED, above=is_low)
        + log_bounds(grid, side.runs_kpa, blur, RUNS_BELIEVED, above=not is_low)
    )
    return believed(estimate(log_posterior, grid, int(clear.sum())), events, noise_kpa)


def _crossed(side: Side, blur: float) -> Mask:
    """Stops (stops,) before which the pressure moved towards the switch; one that stood still for minutes met no switch
    then: somebody let go of it, or a delay ran out."""
    moved_kpa = side.sign * (side.reading_kpa - side.run_kpa)
    lately_kpa = np.abs(side.rate_kpa_s) * CROSSED_OVER_S
    return np.asarray(np.where(np.isfinite(moved_kpa), moved_kpa, lately_kpa) > 2 * blur)
