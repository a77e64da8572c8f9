"""What everything but the pressure says of a stop: was it a trip? As log odds, each cue by itself."""

import numpy as np

from lowambient.traces.circuit import HOUR_S, Array, Mask
from lowambient.traces.habits import (
    PRIOR_STOPS,
    SLOWEST_FOR_TIMERS_S,
    SOON_FROM_S,
    SURE_BY,
    Habits,
    is_short,
    may_be_latched,
    next_to,
)
from lowambient.traces.known import Known
from lowambient.traces.runs import Indices
from lowambient.traces.sides import Side
from lowambient.traces.stops import Stops

CALL_STILL_ON, CALL_GONE = 4.0, -8.0
"""Log odds of a trip when cooling is still called for at rest, and when not: a switch that opens then pumps down."""
CALL_ON_BRIEFLY, LEAST_PAUSE_S = 1.5, 90.0
"""The same where the rest lasts no longer than two samples: the call may have gone and come between them, if they lie
as far apart as a thermostat's shortest pause (judgement). Nothing where the split alone shows the stop and it never
came level: a call that stands speaks against a stop as much as for a trip."""
LEAST_RUN_S, SHORT_RUN_AMONG_SHORT = 180.0, 1.0
"""A run so short that no thermostat's is, and the most log odds from a longer one among runs that are all short."""
SWITCH_SEEN_OPEN, SWITCH_SEEN_CLOSED = 6.0, -1.0
"""Log odds where the switch is logged (judgement); one that closes again between two samples is not seen open."""
FREE_TO_START, FREE_SOON = -1.5, -4.0
"""Log odds from a longer rest that ends well above the reset: the switch had let go long since, and only a latched
board still held it, which nobody comes to clear so soon (judgement); not where an earlier start had just failed, for
then boards latch."""
FREE_OF_ALL = -5.0
"""The same where no board latches either."""
LEAST_DUTY, BARELY_RAN_OFF_S, BARELY_RAN = 0.05, 1800.0, 2.0
"""Log odds from so small a share of running before a long rest, of a unit that cools all year: that satisfies no
thermostat (judgement: machines are sized for several times the least load)."""
LONG_OFF_S, LONG_OFF_WANTED = 3600.0, 0.5
"""Log odds from an hour's stop of a unit that cools all year, where the call itself is not logged (judgement)."""
PUMPED_DOWN = -4.0
"""Log odds of a trip where each stop ends at the switch by design and the call is not logged, but for a failed start
of a circuit that otherwise runs long, tried again as soon as the timer or the switch lets it."""
PUMPED_DOWN_LEVEL = -2.0
"""The same where the sides came together in the rest: an open solenoid lets them, and a valve that leaks in time
(judgement)."""
MANY, TOO_MANY, TOO_OFTEN = 10, 20, 3.0
"""Stops in an hour as many as makers let a compressor start (six to ten times; memory) and twice as many, which is more
than calls make, and by how much these speak against a pump-down; in between, by less. A valve that leaks or a starved
circuit makes so many, either at the switch (judgement); a valve that leaks brings no sides together so soon."""
HELD_OFF, HELD_H, NEAR_SETTING_K, FEWEST_HELD = -6.0, 3.0, 1.5, 3
"""Log odds of a trip where a control's own setting stops the circuit in the cold in spite of its call: so many stops,
and most of those in spite of a call, lie about the outdoor temperature under which it stands for hours (judgement)."""
NOT_A_TRIP = -12.0


def log_odds(side: Side, stops: Stops, allowed: Mask, known: Known, habits: Habits, blur: float) -> Array:
    """Log odds (stops,) of a trip from everything but the pressure; `allowed`: stops that may be trips at all."""
    still_called = _still_called(stops, habits)
    unknown = np.isnan(still_called)
    may_latch = may_be_latched(side, stops, habits.timed & stops.on_start)
    idle = known.perhaps_always_wanted & (stops.off_s > BARELY_RAN_OFF_S) & (stops.run_s < LEAST_DUTY * stops.off_s)
    again = _tried_again(stops, habits, may_latch)
    free = _free(side, habits, known, blur) & ~idle & ~again
    held = np.where(free, FREE_TO_START if may_latch else FREE_OF_ALL, 0.0)
    told = habits.timed & (stops.wait_s <= SLOWEST_FOR_TIMERS_S)
    rest = np.where(told, habits.timed_off, np.where(habits.let_go & ~again, np.minimum(held, FREE_SOON), held))
    by_design = unknown & habits.pumps_down & ~_tried(side, stops, habits, known, free) & ~stops.solenoid_open
    long = (stops.off_s > LONG_OFF_S) & known.always_wanted
    found = (
        _called(stops, still_called, known)
        + np.where(still_called == 0, 0.0, _run(stops, habits))
        + np.where((still_called == 0) | by_design, 0.0, _switch(side))
        + np.where(side.other_opened == 1, -SWITCH_SEEN_OPEN, 0.0)
        + rest * stops.restarts * unknown
        + np.where(unknown, BARELY_RAN * idle + LONG_OFF_WANTED * long, 0.0)
        + np.where(by_design, _pumped_down(side, stops), 0.0)
        + np.where(held_off(side, stops, blur), HELD_OFF, 0.0)
    )
    return np.where(allowed, found, NOT_A_TRIP)


def _pumped_down(side: Side, stops: Stops) -> Array:
    """From a stop that ended at the switch by design, if it did: its sides stay apart, and calls make only so many."""
    together = np.where(stops.came_level, PUMPED_DOWN_LEVEL, PUMPED_DOWN)
    often = np.clip((_in_an_hour(side) - MANY) / (TOO_MANY - MANY), 0.0, 1.0)
    return np.minimum(together + often * TOO_OFTEN, 0.0)


def _in_an_hour(side: Side) -> Indices:
    """Stops (stops,) within half an hour before and after each."""
    return np.searchsorted(side.at_s, side.at_s + HOUR_S / 2) - np.searchsorted(side.at_s, side.at_s - HOUR_S / 2)


def held_off(side: Side, stops: Stops, blur: float) -> Mask:
    """Stops (stops,) in spite of a call at which a low-ambient setting of the control itself holds the circuit off: at
    one outdoor temperature, out of running at which suction stood where it ran, and not for a timer's while."""
    calm = ~(side.sign * (side.reading_kpa - side.run_kpa) > SURE_BY * blur) & (side.opened != 1) & ~_soon_again(stops)
    in_spite = stops.still_called == 1
    held = in_spite & calm & (np.abs(stops.outdoor_c - stops.coldest_run_c) < NEAR_SETTING_K)
    is_told = stops.idle_below_h >= HELD_H and held.sum() >= FEWEST_HELD and 2 * held.sum() > in_spite.sum()
    return np.asarray(held & is_told)


def _soon_again(stops: Stops) -> Mask:
    """Rests (stops,) that a start ends before the outdoor air may have changed."""
    return np.asarray(stops.restarts & (stops.off_s < SOON_FROM_S))


def _still_called(stops: Stops, habits: Habits) -> Array:
    """Whether cooling was still called for (stops,), 1, 0 or NaN: as logged, else as the solenoid shows it where the
    circuit pumps down."""
    shown = stops.solenoid_called if habits.pumps_down else np.full(len(stops), np.nan)
    return np.where(np.isnan(stops.still_called), shown, stops.still_called)


def _called(stops: Stops, still_called: Array, known: Known) -> Array:
    """From the call, where it is known."""
    unsure = known.from_split & ~stops.came_level
    most = min(CALL_STILL_ON, -float(np.log(stops.unseen_pauses)))
    brief = (stops.off_s <= 2 * stops.wait_s) & (stops.wait_s > LEAST_PAUSE_S)
    still_on = np.where(unsure, 0.0, np.where(brief, min(CALL_ON_BRIEFLY, most), most))
    return np.where(still_called == 1, still_on, np.where(still_called == 0, CALL_GONE, 0.0))


def _run(stops: Stops, habits: Habits) -> Array:
    """From a run that was too short for a thermostat's."""
    among = habits.short_run if habits.runs_long else min(SHORT_RUN_AMONG_SHORT, habits.short_run)
    by_run = np.where(stops.run_s + stops.wait_s < LEAST_RUN_S, habits.short_run, among)
    return np.where(is_short(stops), by_run, 0.0)


def _switch(side: Side) -> Array:
    """From the switch itself, where it is logged."""
    return np.where(side.opened == 1, SWITCH_SEEN_OPEN, np.where(side.opened == 0, SWITCH_SEEN_CLOSED, 0.0))


def _tried(side: Side, stops: Stops, habits: Habits, known: Known, free: Mask) -> Mask:
    """Starts that failed in a circuit that pumps down: soon tried again, or not free to start though runs are long."""
    reset_kpa = (known.reset_kpa if known.pumps_down else habits.reset_kpa) or -np.inf
    again = habits.timed & habits.may_run_long & is_short(stops) & ~(side.rested_kpa < reset_kpa)
    held = ~free & habits.mostly_long & (known.reset_kpa is not None)
    return np.asarray(stops.on_start & (stops.wait_s <= SLOWEST_FOR_TIMERS_S) & (again | held))


def closed_again(side: Side, probability: Array) -> Array:
    """Further log odds (stops,) where the switch is logged and was not seen open, once the circuit's other trips show
    how often it is: one that was seen open at each of many trips tells that a stop without is none."""
    logged = np.isfinite(side.opened)
    closed = side.opened == 0
    usual = np.exp(SWITCH_SEEN_CLOSED)
    share = (PRIOR_STOPS * usual + probability[closed].sum()) / (PRIOR_STOPS + probability[logged].sum())
    return np.where(closed, np.minimum(np.log(share) - SWITCH_SEEN_CLOSED, 0.0), 0.0)


def _tried_again(stops: Stops, habits: Habits, may_latch: bool) -> Mask:
    """Stops on start after a rest that a timer ended: boards count such starts, and latch."""
    return np.asarray(stops.on_start & next_to(habits.timed) & may_latch)


def _free(side: Side, habits: Habits, known: Known, blur: float) -> Mask:
    """Rests longer than a timer's at whose end the low-pressure switch had let go by its reset."""
    return np.asarray(~habits.may_be_timed & (side.rested_kpa > (known.reset_kpa or np.inf) + SURE_BY * blur))
