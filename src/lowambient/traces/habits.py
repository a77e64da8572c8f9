"""What the ordinary stops of a circuit look like, so that its trips stand out against them.

Cues from how long runs and rests last mean little where ordinary stops look the same, so they are held against stops
that surely were ordinary: at a suction at which no switch acts, or before a rest after which it had long let go.
"""

from dataclasses import dataclass

import numpy as np

from lowambient.traces.circuit import Array, Mask
from lowambient.traces.known import Known
from lowambient.traces.ranks import quantiles
from lowambient.traces.sides import Side
from lowambient.traces.stops import Stops

SHORT_RUN_S, LONG_RUNS_S, SHORT_RUN = 270.0, 600.0, 2.5
"""Log odds of a trip from a run that no thermostat ends so soon (makers' least run times are three minutes and more;
memory)."""
TIMED_OFF_S, LONG_OFF_FROM_S, TIMED_OFF = 330.0, 900.0, 2.0
"""Log odds from a rest no longer than timers make it, apart from rests that are longer: a satisfied thermostat seldom
calls again at once (judgement; anti-recycle times of three to five minutes from memory)."""
OWN_TIMER_SHARE, OWN_TIMER_SPREAD_S = 0.05, 30.0
"""The circuit's own timer is about as long as its shortest rests, but for a few (judgement)."""
LONGEST_TIMER_S, PILED_SHARE = 900.0, 0.3
"""Timers are set up to a quarter of an hour; so many rests as short as the shortest show one, since a thermostat's
spread (judgement)."""
FEWEST_LONG, SHARE_BETWEEN = 5, 0.5
"""Long runs (or rests), and in-between ones for each of them, by which short ones are apart (judgement)."""
SLOWEST_FOR_TIMERS_S = 120.0
"""A slower log does not show how long a rest was."""
FALLEN_BY = 4.0
"""Deviations by which a low side has fallen from its peak when a start comes: no low-pressure switch closes on falling
pressure, so it had let go by then (physics)."""
SOON_FROM_S, SOON_S = 600.0, 5400.0
"""A rest longer than any timer's, and shorter than anybody takes to come (judgement)."""
FEWEST_STARTS, FORCED_SHARE, DENIED_SHARE, WELL_OVER = 10, 0.05, 0.25, 1.05
"""Starts that show from what pressures a circuit starts by itself; share of them that may be forced, and share from
under a reset that denies it; and how far over what it starts from the switch has surely let go (judgement)."""
MOST_TRIES = 5
"""Failed starts in a row after which a board that latches would have done so (makers allow one to three; memory)."""
STAYED_OUT_S, FEWEST_STAYED, STAYED_SHARE = 3600.0, 3, 0.1
"""Rests after the last of some tries that a board made, so many of them, and for each try: no call ends so often while
nothing cools (judgement)."""
MEMORY_S = 3600.0
"""Boards count trips within a call or an hour (memory)."""
DIVE_SHARE_OF_RUN, DIVES_SHARE, FEWEST_ENDS, SLOWEST_FOR_DIVES_S = 0.15, 0.35, 5, 45.0
"""A circuit pumps down if at the end of so many of its long runs suction dives by so much of what it ran at: a solenoid
that shuts empties the low side within a minute, which starving does not (judgement)."""
UNSEEN_S = 1e9
"""How long a run counts whose start was not seen."""
SURE_BY, RATE_DOUBT, LAG_S, FEWEST_TO_TELL, SLOWEST_FOR_SURE_S = 2.0, 1.5, 15.0, 2.5, 120.0
"""Deviations beyond any setting, and what the pressure moves until the stop is seen, half as much again and with a
lagging sensor, at which a stop surely was ordinary; samples of its run that show how it moved (judgement)."""
PRIOR_STOPS = 6.0
"""For how many sure ordinary stops the usual habit stands (judgement)."""


@dataclass(frozen=True)
class Habits:
    """How a circuit's ordinary stops look.

    `timed` (stops,): rests no longer than timers make them; `let_go` (stops,): rests at whose end the low-pressure
    switch had let go, longer than that and shorter than anybody takes to come. `short_run` and `timed_off`: log odds of
    a trip that a run shorter than thermostats make, and a timed rest, are worth here. `mostly_long`: whether most runs
    last; `runs_long`: whether ordinary ones do; `may_run_long`: whether some do. `pumps_down`: whether the circuit was
    seen, or is thought, to stop by pump-down. `may_be_timed` (stops,): `timed`, or as short as a longer timer of the
    circuit's own. `reset_kpa`: where the low-pressure switch closes again, absolute kPa, as known before; null where
    that is not, or where many a start from lower down denies it.
    """

    timed: Mask
    let_go: Mask
    short_run: float
    timed_off: float
    mostly_long: bool
    runs_long: bool
    may_run_long: bool
    pumps_down: bool
    may_be_timed: Mask
    reset_kpa: float | None


def habits_of(side: Side, stops: Stops, known: Known, blur: float) -> Habits:
    """The habits of a circuit; `blur`: the doubt of a reading, kPa."""
    timers_s = _timers_s(stops)
    timed = _timed(stops, timers_s)
    let_go = _let_go(side, stops, timed, known, blur)
    sure = _surely_ordinary(side, stops, let_go, known, blur)
    mostly_long = _quantile(stops.run_s, 0.5) > LONG_RUNS_S
    return Habits(
        timed=timed,
        let_go=let_go,
        short_run=_worth(SHORT_RUN, is_short(stops)[sure]),
        timed_off=_worth(TIMED_OFF, timed[sure]) if _timers_show(stops, timers_s) else 0.0,
        mostly_long=mostly_long,
        runs_long=mostly_long or _apart(stops.run_s, SHORT_RUN_S, LONG_RUNS_S),
        may_run_long=_quantile(stops.run_s, 0.9) > LONG_RUNS_S,
        pumps_down=known.pumps_down or (side.sign < 0 and not known.never_pumps_down and _dives(side, stops, blur)),
        may_be_timed=timed | _piled(stops),
        reset_kpa=_believed_reset_kpa(side, stops, known),
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


def _surely_ordinary(side: Side, stops: Stops, let_go: Mask, known: Known, blur: float) -> Mask:
    """Stops that no low-pressure switch made: at a suction at which none acts, and that it would not have reached at
    its rate, or before a rest after which the switch had let go."""
    if side.sign > 0:
        return np.zeros(len(stops), dtype=bool)
    moved = np.abs(side.rate_kpa_s) * (stops.wait_s + LAG_S)
    away = side.reading_kpa - (known.limit_kpa or np.inf) > SURE_BY * blur + RATE_DOUBT * moved
    shown = stops.run_s > np.maximum(FEWEST_TO_TELL * stops.wait_s, stops.late_s)
    away &= shown & (stops.wait_s <= SLOWEST_FOR_SURE_S)
    no_trip = (stops.still_called != 1) & (side.opened != 1)
    return np.asarray((away | let_go) & no_trip & stops.restarts)


def is_short(stops: Stops) -> Mask:
    """Runs (stops,) shorter than a thermostat's."""
    return np.asarray(stops.run_s + stops.wait_s < SHORT_RUN_S)


def _timed(stops: Stops, timers_s: float) -> Mask:
    """Rests no longer than timers make them, as far as the log shows when they began. What the split alone shows within
    two samples is no rest."""
    flickers = (stops.off_s <= 2 * stops.wait_s) & (stops.late_s > 0)
    return np.asarray((stops.off_s <= timers_s + stops.wait_s) & ~flickers)


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


def _piled(stops: Stops) -> Mask:
    """Rests (stops,) about as short as the shortest, where these are many: an own timer's, be it longer than most."""
    shown = stops.restarts & (stops.off_s > 2 * stops.wait_s)
    if np.count_nonzero(shown) < FEWEST_LONG:
        return np.zeros(len(stops), dtype=bool)
    until_s = _quantile(stops.off_s[shown], OWN_TIMER_SHARE) + OWN_TIMER_SPREAD_S + stops.wait_s
    piled = shown & (stops.off_s < until_s) & (stops.off_s < LONGEST_TIMER_S)
    return np.asarray(piled & (piled.sum() >= PILED_SHARE * shown.sum()))


def _timers_show(stops: Stops, timers_s: float) -> bool:
    """Whether the rests that timers end stand apart from longer ones."""
    if len(stops) == 0:
        return False
    own = timers_s < TIMED_OFF_S + stops.late_s
    until_s = timers_s + float(np.median(stops.wait_s))
    return own or _apart(stops.off_s[stops.restarts], until_s, LONG_OFF_FROM_S)


def _let_go(side: Side, stops: Stops, timed: Mask, known: Known, blur: float) -> Mask:
    """Rests at whose end the switch had let go; not where the low side of a unit that pumps down is shut off, and tells
    of no start."""
    if known.pumps_down:
        return np.zeros(len(stops), dtype=bool)
    over = side.rested_kpa > _lets_go_kpa(side, stops, known) + SURE_BY * blur
    over |= (side.sign < 0) & (side.peaked_kpa > side.rested_kpa + FALLEN_BY * blur)
    return np.asarray(over & ~timed & (stops.off_s > SOON_FROM_S) & (stops.off_s < SOON_S))


def _lets_go_kpa(side: Side, stops: Stops, known: Known) -> float:
    """The pressure over which the switch has let go: its reset, unless many a start from lower down denies that; else
    well over what the circuit starts from, since no start happens under the reset, but for a few that somebody forces.
    """
    started = _starts_from_kpa(side, stops)
    if len(started) < FEWEST_STARTS:
        return known.reset_kpa or np.inf
    if known.reset_kpa is not None and not _is_denied(started, known.reset_kpa):
        return known.reset_kpa
    return float(min(known.reset_kpa or np.inf, WELL_OVER * quantiles(started, [FORCED_SHARE])[0]))


def _starts_from_kpa(side: Side, stops: Stops) -> Array:
    """Pressures at the end of the rests that a start was seen to end (starts,)."""
    return np.asarray(side.rested_kpa[stops.restarts & np.isfinite(side.rested_kpa)])


def _believed_reset_kpa(side: Side, stops: Stops, known: Known) -> float | None:
    """The reset that is known, unless starts deny it."""
    if known.reset_kpa is None or _is_denied(_starts_from_kpa(side, stops), known.reset_kpa):
        return None
    return known.reset_kpa


def _is_denied(started_kpa: Array, reset_kpa: float) -> bool:
    """Whether many a start from lower down denies a reset."""
    return len(started_kpa) >= FEWEST_STARTS and bool((started_kpa < reset_kpa).mean() >= DENIED_SHARE)


def _dives(side: Side, stops: Stops, blur: float) -> bool:
    """Whether the circuit was seen to pump down."""
    long = (stops.run_s > LONG_RUNS_S) & (stops.wait_s <= SLOWEST_FOR_DIVES_S) & np.isfinite(side.run_kpa)
    fell = (side.run_kpa - side.reading_kpa)[long]
    dived = fell > np.maximum(3 * blur, DIVE_SHARE_OF_RUN * side.run_kpa[long])
    return len(fell) >= FEWEST_ENDS and bool(dived.mean() > DIVES_SHARE)


def next_to(chosen: Mask) -> Mask:
    """Stops (stops,) right after those chosen."""
    return np.concatenate([np.zeros(1, dtype=bool), chosen])[: len(chosen)]


def may_be_latched(side: Side, stops: Stops, tried: Mask) -> bool:
    """Whether a board may hold the circuit out after some failed starts, `tried` (stops,): none that lets it try on and
    on within the hour does, unless its tries end in a long rest too often. A slow log does not show how long runs and
    rests are, so there it may."""
    which = np.flatnonzero(tried & (stops.wait_s <= SLOWEST_FOR_TIMERS_S))
    stayed_out = np.count_nonzero(next_to(tried) & ~tried & stops.on_start & (stops.off_s > STAYED_OUT_S))
    if stayed_out >= max(FEWEST_STAYED, STAYED_SHARE * len(which)):
        return True
    first, last = which[:-MOST_TRIES], which[MOST_TRIES:]
    in_a_row = last - first == MOST_TRIES
    return not bool((in_a_row & (side.at_s[last] - side.at_s[first] <= MEMORY_S)).any())
