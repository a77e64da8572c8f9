"""What everything but the pressure says of a stop: was it a trip? As log odds, each cue by itself.

Cues from how long runs and rests last mean little in a circuit whose ordinary stops look the same, so those cues are
held against the stops that surely were ordinary: the ones at a pressure at which no such switch acts.
"""

from dataclasses import dataclass

import numpy as np

from lowambient.traces.circuit import Array, Mask
from lowambient.traces.known import Known
from lowambient.traces.ranks import quantiles
from lowambient.traces.sides import Side
from lowambient.traces.stops import Stops

CALL_STILL_ON, CALL_GONE = 4.0, -8.0
"""Log odds of a trip when cooling is still called for at rest, and when not: a switch that opens then pumps down."""
CALL_ON_BRIEFLY = 1.5
"""The same where the rest lasts no longer than two samples: the call may have gone and come between them. Nothing where
the split alone shows the stop and it never came level: a call that stands speaks against a stop as much as for a trip.
"""
SHORT_RUN_S, LONG_RUNS_S, SHORT_RUN, SHORT_RUN_AMONG_SHORT = 270.0, 600.0, 2.5, 1.0
"""Log odds from a run that no thermostat ends so soon (makers' least run times are three minutes and more; memory)."""
LEAST_RUN_S = 180.0
SWITCH_SEEN_OPEN, SWITCH_SEEN_CLOSED = 6.0, -1.0
"""Log odds where the switch is logged (judgement); one that closes again between two samples is not seen open."""
TIMED_OFF_S, LONG_OFF_FROM_S, TIMED_OFF = 330.0, 900.0, 2.0
"""Log odds from a rest no longer than timers make it, apart from rests that are longer: a satisfied thermostat seldom
calls again at once (judgement; anti-recycle times of three to five minutes from memory)."""
OWN_TIMER_SHARE, OWN_TIMER_SPREAD_S = 0.05, 30.0
"""The circuit's own timer is about as long as its shortest rests, but for a few (judgement)."""
FEWEST_LONG, SHARE_BETWEEN = 5, 0.5
"""Long runs (or rests), and in-between ones for each of them, by which short ones are apart (judgement)."""
SLOWEST_FOR_TIMERS_S = 120.0
"""A slower log does not show how long a rest was."""
FREE_TO_START, FREE_SOON, SOON_FROM_S, SOON_S = -1.5, -4.0, 600.0, 5400.0
"""Log odds from a longer rest that ends well above the reset: the switch had let go long since, and only a latched
board still held it, which nobody comes to clear so soon (judgement); not where an earlier start had just failed, for
then boards latch."""
FEWEST_STARTS, FORCED_SHARE, DENIED_SHARE, WELL_OVER = 10, 0.05, 0.25, 1.05
"""Starts that show from what pressures a circuit starts by itself; share of them that may be forced, and share from
under a reset that denies it; and how far over what it starts from the switch has surely let go (judgement)."""
FREE_OF_ALL = -5.0
"""The same where no board latches either."""
MOST_TRIES = 5
"""Failed starts in a row after which a board that latches would have done so (makers allow one to three; memory)."""
MEMORY_S = 3600.0
"""Boards count trips within a call or an hour (memory)."""
LEAST_DUTY, BARELY_RAN_OFF_S, BARELY_RAN = 0.05, 1800.0, 2.0
"""Log odds from so small a share of running before a long rest, of a unit that cools all year: that satisfies no
thermostat (judgement: machines are sized for several times the least load)."""
LONG_OFF_S, LONG_OFF_WANTED = 3600.0, 0.5
"""Log odds from an hour's stop of a unit that cools all year, where the call itself is not logged (judgement)."""
PUMPED_DOWN = -4.0
"""Log odds of a trip where each stop ends at the switch by design and the call is not logged, but for a failed start
of a circuit that otherwise runs long, tried again as soon as the timer or the switch lets it."""
DIVE_SHARE_OF_RUN, DIVES_SHARE, FEWEST_ENDS, SLOWEST_FOR_DIVES_S = 0.15, 0.35, 5, 45.0
"""A circuit pumps down if at the end of so many of its long runs suction dives by so much of what it ran at: a solenoid
that shuts empties the low side within a minute, which starving does not (judgement)."""
HELD_OFF, HELD_H, NEAR_SETTING_K, FEWEST_HELD = -6.0, 3.0, 1.5, 3
"""Log odds of a trip where a control's own setting stops the circuit in the cold in spite of its call: so many stops,
and most of those in spite of a call, lie about the outdoor temperature under which it stands for hours (judgement)."""
NOT_A_TRIP = -12.0
UNSEEN_S = 1e9
"""How long a run counts whose start was not seen."""
SURE_BY, RATE_DOUBT, LAG_S, FEWEST_TO_TELL, SLOWEST_FOR_SURE_S = 2.0, 1.5, 15.0, 2.5, 120.0
"""Deviations beyond any setting, and what the pressure moves until the stop is seen, half as much again and with a
lagging sensor, at which a stop surely was ordinary; samples of its run that show how it moved (judgement)."""
PRIOR_STOPS = 6.0
"""For how many sure ordinary stops the usual habit stands (judgement)."""


@dataclass(frozen=True)
class Habits:
    """How a circuit's ordinary stops look. `short_run` and `timed_off`: log odds of a trip that a run shorter than
    thermostats make, and a rest as long as timers make it, are worth here; `runs_long`: whether ordinary runs last;
    `may_run_long`: whether some do; `pumps_down`: whether it was seen, or is thought, to stop by pump-down."""

    short_run: float
    timed_off: float
    runs_long: bool
    may_run_long: bool
    pumps_down: bool


def habits_of(side: Side, stops: Stops, known: Known, blur: float) -> Habits:
    """The habits of the circuit's ordinary stops."""
    sure = _surely_ordinary(side, stops, known, blur)
    return Habits(
        short_run=_worth(SHORT_RUN, _is_short(stops)[sure]),
        timed_off=_worth(TIMED_OFF, timed(stops)[sure]) if _timers_show(stops) else 0.0,
        runs_long=_quantile(stops.run_s, 0.5) > LONG_RUNS_S or _apart(stops.run_s, SHORT_RUN_S, LONG_RUNS_S),
        may_run_long=_quantile(stops.run_s, 0.9) > LONG_RUNS_S,
        pumps_down=known.pumps_down or (side.sign < 0 and _dives(side, stops, blur)),
    )


def _apart(lengths_s: Array, short_s: float, long_s: float) -> bool:
    """Whether runs or rests are short or long with little between: a thermostat's vary with the load, and a protection
    that ends a run, or a timer that ends a rest, has a time of its own."""
    long = (lengths_s >= long_s).sum()
    between = ((lengths_s >= short_s) & (lengths_s < long_s)).sum()
    return bool(long >= FEWEST_LONG and between < SHARE_BETWEEN * long)


def _quantile(lengths_s: Array, share: float) -> float:
    """A quantile of lengths, a run whose start was not seen being a long one; 0 of none."""
    return float(quantiles(np.minimum(lengths_s, UNSEEN_S), [share])[0]) if len(lengths_s) else 0.0


def _worth(usual: float, ordinary: Mask) -> float:
    """Log odds that a cue is worth where so many of the sure ordinary stops show it too; not under nothing.

    The usual log odds stand for a share that trips show and ordinary stops hardly do: half of them, and the rest by it.
    """
    among_trips = 0.5
    share = (PRIOR_STOPS * among_trips / np.exp(usual) + ordinary.sum()) / (PRIOR_STOPS + len(ordinary))
    return float(np.clip(np.log(among_trips / share), 0.0, usual))


def _surely_ordinary(side: Side, stops: Stops, known: Known, blur: float) -> Mask:
    """Stops that no low-pressure switch made: at a suction at which none acts, and that it would not have reached at
    its rate; or with the call gone; or with a rest after which the switch had let go, longer than timers and shorter
    than anybody takes to come."""
    if side.sign > 0:
        return np.zeros(len(stops), dtype=bool)
    moved = np.abs(side.rate_kpa_s) * (stops.wait_s + LAG_S)
    away = side.reading_kpa - (known.limit_kpa or np.inf) > SURE_BY * blur + RATE_DOUBT * moved
    away &= (stops.run_s > FEWEST_TO_TELL * stops.wait_s) & (stops.wait_s <= SLOWEST_FOR_SURE_S)
    let_go = _free_soon(side, stops, known, blur)
    no_trip = (stops.still_called != 1) & (side.opened != 1)
    return np.asarray((away | let_go) & no_trip & stops.restarts)


def _is_short(stops: Stops) -> Mask:
    return np.asarray(stops.run_s + stops.wait_s < SHORT_RUN_S)


def timed(stops: Stops) -> Mask:
    """Rests (stops,) no longer than timers make them, as far as the log shows when they began; if shorter ones stand
    apart, no longer than those. What the split alone shows within two samples is no rest."""
    flickers = (stops.off_s <= 2 * stops.wait_s) & (stops.late_s > 0)
    return np.asarray((stops.off_s <= _timers_s(stops) + stops.wait_s) & ~flickers)


def _timers_s(stops: Stops) -> float:
    """How long the rests may be that a timer ends: what makers allow, or the circuit's own if its short rests stand
    apart within that already."""
    most_s = TIMED_OFF_S + stops.late_s
    rests_s = stops.off_s[stops.restarts & (stops.off_s > 2 * stops.wait_s)]
    if len(rests_s) < FEWEST_LONG:
        return most_s
    own_s = _quantile(rests_s, OWN_TIMER_SHARE) + OWN_TIMER_SPREAD_S + stops.late_s
    until_s = own_s + float(np.median(stops.wait_s))
    between = ((rests_s >= until_s) & (rests_s < 2 * own_s)).sum()
    gap = between < SHARE_BETWEEN * (rests_s < until_s).sum() and _apart(rests_s, until_s, 2 * own_s)
    return own_s if own_s < most_s and gap else most_s


def _timers_show(stops: Stops) -> bool:
    """Whether the rests that timers end stand apart from longer ones."""
    if len(stops) == 0:
        return False
    rests_s, limit_s = stops.off_s[stops.restarts], _timers_s(stops)
    own = limit_s < TIMED_OFF_S + stops.late_s
    return own or _apart(rests_s, limit_s + float(np.median(stops.wait_s)), LONG_OFF_FROM_S)


def _dives(side: Side, stops: Stops, blur: float) -> bool:
    """Whether the circuit was seen to pump down."""
    long = (stops.run_s > LONG_RUNS_S) & (stops.wait_s <= SLOWEST_FOR_DIVES_S) & np.isfinite(side.run_kpa)
    fell = (side.run_kpa - side.reading_kpa)[long]
    dived = fell > np.maximum(3 * blur, DIVE_SHARE_OF_RUN * side.run_kpa[long])
    return len(fell) >= FEWEST_ENDS and bool(dived.mean() > DIVES_SHARE)


def log_odds(side: Side, stops: Stops, allowed: Mask, known: Known, blur: float) -> Array:
    """Log odds (stops,) of a trip from everything but the pressure; `allowed`: stops that may be trips at all."""
    habits = habits_of(side, stops, known, blur)
    still_called = _still_called(stops, habits)
    unknown = np.isnan(still_called)
    may_latch = may_be_latched(side, stops, timed(stops) & stops.on_start)
    idle = known.perhaps_always_wanted & (stops.off_s > BARELY_RAN_OFF_S) & (stops.run_s < LEAST_DUTY * stops.off_s)
    free = _free(side, stops, known, blur) & ~idle & ~_tried_again(stops, may_latch)
    shows_timers = stops.wait_s <= SLOWEST_FOR_TIMERS_S
    told = timed(stops) & shows_timers
    held = np.where(free, FREE_TO_START if may_latch else FREE_OF_ALL, 0.0)
    soon = _free_soon(side, stops, known, blur) & ~_tried_again(stops, may_latch)
    rest = np.where(told, habits.timed_off, np.where(soon, np.minimum(held, FREE_SOON), held))
    by_design = unknown & habits.pumps_down & ~_tried(side, stops, habits, known, free) & ~stops.solenoid_open
    long = (stops.off_s > LONG_OFF_S) & known.always_wanted
    found = (
        _called(stops, still_called, known)
        + np.where(still_called == 0, 0.0, _run(stops, habits))
        + np.where((still_called == 0) | by_design, 0.0, _switch(side))
        + np.where(side.other_opened == 1, -SWITCH_SEEN_OPEN, 0.0)
        + rest * stops.restarts * unknown
        + np.where(unknown, BARELY_RAN * idle + LONG_OFF_WANTED * long, 0.0)
        + np.where(by_design, PUMPED_DOWN, 0.0)
        + np.where(held_off(side, stops, blur), HELD_OFF, 0.0)
    )
    return np.where(allowed, found, NOT_A_TRIP)


def held_off(side: Side, stops: Stops, blur: float) -> Mask:
    """Stops (stops,) in spite of a call at which a low-ambient setting of the control itself holds the circuit off: at
    one outdoor temperature, out of running at which suction stood where it ran."""
    calm = ~(side.sign * (side.reading_kpa - side.run_kpa) > SURE_BY * blur) & (side.opened != 1)
    in_spite = stops.still_called == 1
    held = in_spite & calm & (np.abs(stops.outdoor_c - stops.coldest_run_c) < NEAR_SETTING_K)
    is_told = stops.idle_below_h >= HELD_H and held.sum() >= FEWEST_HELD and 2 * held.sum() > in_spite.sum()
    return np.asarray(held & is_told)


def _still_called(stops: Stops, habits: Habits) -> Array:
    """Whether cooling was still called for (stops,), 1, 0 or NaN: as logged, else as the solenoid shows it where the
    circuit pumps down."""
    shown = stops.solenoid_called if habits.pumps_down else np.full(len(stops), np.nan)
    return np.where(np.isnan(stops.still_called), shown, stops.still_called)


def _called(stops: Stops, still_called: Array, known: Known) -> Array:
    """From the call, where it is known."""
    unsure = known.from_split & ~stops.came_level
    most = min(CALL_STILL_ON, -float(np.log(stops.unseen_pauses)))
    brief = stops.off_s <= 2 * stops.wait_s
    still_on = np.where(unsure, 0.0, np.where(brief, min(CALL_ON_BRIEFLY, most), most))
    return np.where(still_called == 1, still_on, np.where(still_called == 0, CALL_GONE, 0.0))


def _run(stops: Stops, habits: Habits) -> Array:
    """From a run that was too short for a thermostat's."""
    among = habits.short_run if habits.runs_long else min(SHORT_RUN_AMONG_SHORT, habits.short_run)
    by_run = np.where(stops.run_s + stops.wait_s < LEAST_RUN_S, habits.short_run, among)
    return np.where(_is_short(stops), by_run, 0.0)


def _switch(side: Side) -> Array:
    """From the switch itself, where it is logged."""
    return np.where(side.opened == 1, SWITCH_SEEN_OPEN, np.where(side.opened == 0, SWITCH_SEEN_CLOSED, 0.0))


def _tried(side: Side, stops: Stops, habits: Habits, known: Known, free: Mask) -> Mask:
    """Starts that failed in a circuit that pumps down: soon tried again, or not free to start though runs are long."""
    reset_kpa = known.reset_kpa or -np.inf
    again = timed(stops) & habits.may_run_long & _is_short(stops) & ~(side.rested_kpa < reset_kpa)
    held = ~free & (_quantile(stops.run_s, 0.5) > LONG_RUNS_S) & (known.reset_kpa is not None)
    return np.asarray(stops.on_start & (stops.wait_s <= SLOWEST_FOR_TIMERS_S) & (again | held))


def closed_again(side: Side, probability: Array) -> Array:
    """Further log odds (stops,) where the switch is logged and was not seen open, once the circuit's other trips show
    how often it is: one that was seen open at each of many trips tells that a stop without is none."""
    logged = np.isfinite(side.opened)
    closed = side.opened == 0
    usual = np.exp(SWITCH_SEEN_CLOSED)
    share = (PRIOR_STOPS * usual + probability[closed].sum()) / (PRIOR_STOPS + probability[logged].sum())
    return np.where(closed, np.minimum(np.log(share) - SWITCH_SEEN_CLOSED, 0.0), 0.0)


def _tried_again(stops: Stops, may_latch: bool) -> Mask:
    """Stops on start after a rest that a timer ended: boards count such starts, and latch."""
    return np.asarray(stops.on_start & np.insert(timed(stops)[:-1], 0, False)[: len(stops)] & may_latch)


def _free(side: Side, stops: Stops, known: Known, blur: float) -> Mask:
    """Rests longer than a timer's at whose end the low-pressure switch had let go by its reset."""
    return np.asarray(~timed(stops) & (side.rested_kpa > (known.reset_kpa or np.inf) + SURE_BY * blur))


def _free_soon(side: Side, stops: Stops, known: Known, blur: float) -> Mask:
    """Rests at whose end the switch had let go, far longer than a timer's and shorter than anybody takes to come; not
    where the low side of a unit that pumps down is shut off, and tells of no start."""
    if known.pumps_down:
        return np.zeros(len(stops), dtype=bool)
    let_go = side.rested_kpa > _lets_go_kpa(side, stops, known) + SURE_BY * blur
    return np.asarray(let_go & ~timed(stops) & (stops.off_s > SOON_FROM_S) & (stops.off_s < SOON_S))


def _lets_go_kpa(side: Side, stops: Stops, known: Known) -> float:
    """The pressure over which the switch has let go: its reset, unless many a start from lower down denies that; else
    well over what the circuit starts from, since no start happens under the reset, but for a few that somebody forces.
    """
    started = side.rested_kpa[stops.restarts & np.isfinite(side.rested_kpa)]
    if len(started) < FEWEST_STARTS:
        return known.reset_kpa or np.inf
    if known.reset_kpa is not None and (started < known.reset_kpa).mean() < DENIED_SHARE:
        return known.reset_kpa
    return float(min(known.reset_kpa or np.inf, WELL_OVER * quantiles(started, [FORCED_SHARE])[0]))


def may_be_latched(side: Side, stops: Stops, tried: Mask) -> bool:
    """Whether a board may hold the circuit out after some failed starts, `tried` (stops,): none that lets it try on and
    on within the hour does. A slow log does not show how long runs and rests are, so there it may."""
    which = np.flatnonzero(tried & (stops.wait_s <= SLOWEST_FOR_TIMERS_S))
    first, last = which[:-MOST_TRIES], which[MOST_TRIES:]
    in_a_row = last - first == MOST_TRIES
    return not bool((in_a_row & (side.at_s[last] - side.at_s[first] <= MEMORY_S)).any())
