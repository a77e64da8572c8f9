"""Who makes which calls: every condition of every unit over time, learned together from the fleet's own records.

Calls come from superposed Poisson processes: what any unit has (by words and weather, scaled to the unit), returns
after a visit, and the conditions of `sources`, each only while its unit has it. Each condition is a hidden chain
(`chains`). They share the calls, so each is weighed in turn with the others as they were last thought (a factorial
hidden Markov model with a mean-field approximation). Quiet cold weeks count as much as calls: the likelihood of a week
is that of no call in its hours, but for those that came.
Source: Ghahramani & Jordan 1997, Machine Learning 29, 245-273 (factorial chains, mean field).

What the fleet's own calls move: the rate of ordinary calls by words and temperature, each unit's share of them, the
words of cold calls, how many units of a kind have the cold condition and at which level. Everything else is a row of
`reference/`.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from lowambient import reference
from lowambient.flags.chains import Known, Moves, smoothed
from lowambient.flags.history import HOURS_A_WEEK, Calls, History
from lowambient.flags.kinds import NUMBERS, Kinds, kinds_of
from lowambient.flags.sources import COLD, MARKS, Source, sources
from lowambient.flags.visits import Effects, visit_effects

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]

ROUNDS = 5
CHUNK_CELLS = 9_200
"""Units times states that are worked on together: as much as stays near the processor."""
WEEKS_A_YEAR = 365.25 / 7


@dataclass
class Fleet:
    """What the fleet's calls taught, and what is thought of each call.

    `ordinary`: mark by band, calls an hour of a usual unit; `share`: unit's own multiple of it; `cold_words`: of MARKS;
    `kinds`: what is usual of each kind of unit; `made`: by condition, the intensity it gives each ticket [1/h];
    `fixed`: by condition, what does not change while it is learned.
    """

    ordinary: Array
    share: Array
    cold_words: Array
    kinds: Kinds
    made: dict[str, Array] = field(default_factory=dict)
    fixed: dict[str, "Fixed"] = field(default_factory=dict)

    def words(self, source: Source) -> Array:
        """Words of the calls that a condition makes."""
        return self.cold_words if source.name == COLD else source.marks


@dataclass(frozen=True)
class Fixed:
    """Of one condition: `visits`; `at_calls`: calls an hour of each state at each ticket's temperature, ticket by
    state; `quiet`: what a week in service without a call says against each state, log likelihood, station (the last:
    without weather) by week by state."""

    visits: Effects
    at_calls: Array
    quiet: Array


def fixed_of(history: History, fleet: Fleet, source: Source) -> Fixed:
    """Worked out when first asked for."""
    if source.name not in fleet.fixed:
        hazards = source.hazards(history.coldest_c)
        weather = np.concatenate([history.hours, np.zeros((1, *history.hours.shape[1:]))])
        fleet.fixed[source.name] = Fixed(
            visit_effects(history.calls, source.name),
            _hazard_at_calls(history, source),
            calls_count(source) * weather @ hazards.T,
        )
    return fleet.fixed[source.name]


@dataclass(frozen=True)
class Evidence:
    """Evidence about one condition beside calls and quiet weeks: `log_like[row]` (by state) of unit `unit[row]`, in
    order of units, in week `week[row]`; `piece[row]` names it."""

    unit: Index
    week: Index
    log_like: Array
    piece: Index

    def taken(self, keep: npt.NDArray[np.bool_]) -> "Evidence":
        """Some of its rows."""
        return Evidence(self.unit[keep], self.week[keep], self.log_like[keep], self.piece[keep])


@dataclass(frozen=True)
class Chunk:
    """A condition of some units: evidence by week and state, and how it moves."""

    units: Index
    log_like: Array
    moves: Moves


def learned(history: History, extra: Mapping[str, Evidence], fitted: Array, rounds: int = ROUNDS) -> Fleet:
    """Weighs all conditions in turn until what each call is thought to be settles.

    `fitted`: probability that each unit has a head-pressure control at all.
    """
    fleet = _at_first(history, fitted)
    active = [source for source in sources().values() if len(source.levels) > 1 or source.levels[0].shape != "none"]
    for _ in range(rounds):
        for source in active:
            _weigh(history, fleet, source, extra.get(source.name))
        _relearn(history, fleet)
    return fleet


def ordinary_rate(history: History, fleet: Fleet) -> Array:
    """Calls an hour that come to each ticket's unit whatever is the matter with it: ordinary ones and returns."""
    calls = history.calls
    band = np.where(calls.band >= 0, calls.band, 0)
    rate = fleet.ordinary[calls.mark, band]
    rate = np.where(calls.band >= 0, rate, fleet.ordinary[calls.mark].mean(axis=1))
    return np.asarray(fleet.share[calls.unit] * rate + returning(calls, fleet))


def call_log_odds(history: History, fleet: Fleet, source: Source) -> Array:
    """What each call says for each state of a condition over `off`: call by state, natural log."""
    calls = history.calls
    others = ordinary_rate(history, fleet) + sum(
        (rate for name, rate in fleet.made.items() if name != source.name), np.zeros(len(calls))
    )
    hazard = fixed_of(history, fleet, source).at_calls
    own = hazard * fleet.words(source)[calls.mark][:, None]
    odds = calls_count(source) * np.log1p(own / np.maximum(others, 1e-12)[:, None])
    return np.asarray(np.where(calls.is_complaint[:, None], odds, 0.0))


def chunks(history: History, fleet: Fleet, source: Source, extra: Evidence | None) -> Iterator[Chunk]:
    """A condition of all units, some hundreds of units at a time."""
    odds = call_log_odds(history, fleet, source)
    count, step = len(history.served), max(CHUNK_CELLS // (len(source.levels) + 1), 1)
    for first in range(0, count, step):
        yield chunk_of(history, fleet, source, extra, odds, np.arange(first, min(first + step, count)))


def chunk_of(
    history: History, fleet: Fleet, source: Source, extra: Evidence | None, odds: Array, units: Index
) -> Chunk:
    """A condition of the units at these places (sorted)."""
    quiet = fixed_of(history, fleet, source).quiet
    log_like = quiet[history.station[units]]
    log_like *= -history.served[units][:, :, None]
    calls = history.calls
    own = rows_of(calls.unit, units)
    own = own[calls.is_complaint[own]]
    _add(log_like, units, calls.unit[own], calls.week[own], odds[own])
    if extra is not None:
        more = rows_of(extra.unit, units)
        _add(log_like, units, extra.unit[more], extra.week[more], extra.log_like[more])
    return Chunk(units, log_like, moves_of(history, fleet, source, units))


def calls_count(source: Source) -> float:
    """What a call of one unit says of a condition, and a quiet hour, as a share of what an independent one would [-].

    A quasi-likelihood: counts of one unit scatter more than Poisson, by about the inverse of this share.
    Source: McCullagh & Nelder 1989, Generalized Linear Models, chapter 9.
    """
    return reference.numbers(NUMBERS)["cold calls count" if source.name == COLD else "other calls count"]


def moves_of(history: History, fleet: Fleet, source: Source, units: Index) -> Moves:
    """How a condition comes and goes in some units."""
    usual = fleet.kinds.of(source, units)
    weeks = history.weeks
    begins = np.repeat(usual.begins_per_year[:, None] / WEEKS_A_YEAR, weeks, axis=1)
    ends = np.repeat(usual.ends_per_year[:, None] / WEEKS_A_YEAR, weeks, axis=1)
    effects, calls = fixed_of(history, fleet, source).visits, history.calls
    own = rows_of(calls.unit, units)
    own = own[(calls.ended_week[own] >= 0) & (calls.ended_week[own] < weeks)]
    mended = effects.ends[own]
    if source.name == COLD:
        unfitted = reference.numbers(NUMBERS)["none fitted mends"]
        mended = mended * (unfitted + (1 - unfitted) * fleet.kinds.fitted[calls.unit[own]])
    place = np.searchsorted(units, calls.unit[own]), calls.ended_week[own]
    for table, effect in ((begins, effects.begins[own]), (ends, mended)):
        stay = 1 - table
        np.multiply.at(stay, place, 1 - effect)
        table[:] = 1 - stay
    works = reference.numbers(NUMBERS)["working control mends"]
    yields = np.array([works if level.control == "works" else 1.0 for level in source.levels])
    return Moves(usual.first, begins, ends, usual.entry, yields, usual.redrawn_per_year / WEEKS_A_YEAR)


def rows_of(unit: Index, units: Index) -> Index:
    """Places of the rows of some units; both sorted."""
    if len(units) == 0:
        return np.zeros(0, dtype=np.int64)
    first, last = np.searchsorted(unit, [units[0], units[-1] + 1])
    rows = np.arange(first, last)
    whole = units[-1] - units[0] + 1 == len(units)
    return rows if whole else rows[np.isin(unit[first:last], units)]


def _add(log_like: Array, units: Index, unit: Index, week: Index, values: Array) -> None:
    inside = (week >= 0) & (week < log_like.shape[1])
    np.add.at(log_like, (np.searchsorted(units, unit[inside]), week[inside]), values[inside])


def _hazard_at_calls(history: History, source: Source) -> Array:
    """Calls an hour of each state at each ticket's temperature: ticket by state; none where it is not known."""
    calls = history.calls
    at_bands = np.concatenate([source.hazards(history.coldest_c).T, np.zeros((1, len(source.levels) + 1))])
    return np.asarray(at_bands[calls.band])


def returning(calls: Calls, fleet: Fleet) -> Array:
    """Calls an hour that come back from the last complaint of the unit, in this ticket's words."""
    rows = np.flatnonzero(calls.is_complaint)
    rate = np.zeros(len(calls))
    if len(rows) < 2:
        return rate
    before, now = rows[:-1], rows[1:]
    same = calls.unit[before] == calls.unit[now]
    apart_h = np.maximum(calls.opened_h[now] - calls.opened_h[before], 0.0)
    usual = fleet.ordinary.sum(axis=1) / fleet.ordinary.sum()
    number = reference.numbers(NUMBERS)
    alike, after_h = number["same words"], number["returns after"]
    words = alike * (calls.mark[before] == calls.mark[now]) + (1 - alike) * usual[calls.mark[now]]
    rate[now] = np.where(same, number["share that returns"] / after_h * np.exp(-apart_h / after_h) * words, 0.0)
    return rate


def _weigh(history: History, fleet: Fleet, source: Source, extra: Evidence | None) -> None:
    """One condition, given what is thought of the others: its share in each call, and what is usual of each kind."""
    calls = history.calls
    hazard, made = fixed_of(history, fleet, source).at_calls, np.zeros(len(calls))
    states = len(source.levels) + 1
    begun, lasting = np.zeros((len(history.served), states)), np.zeros((len(history.served), states))
    for chunk in chunks(history, fleet, source, extra):
        known = smoothed(chunk.log_like, chunk.moves)
        keep = rows_of(calls.unit, chunk.units)
        keep = keep[calls.is_complaint[keep]]
        rows = np.searchsorted(chunk.units, calls.unit[keep])
        made[keep] = np.sum(known.states[rows, calls.week[keep]] * hazard[keep], axis=1)
        begun[chunk.units] = known.states[:, 0]
        lasting[chunk.units] = known.states.mean(axis=1)
    fleet.made[source.name] = made * fleet.words(source)[calls.mark]
    fleet.kinds.learn(source, begun, lasting)


def _at_first(history: History, fitted: Array) -> Fleet:
    """Before any condition is weighed: ordinary calls by words alone, as they come in mild air."""
    marks, bands = len(MARKS), len(history.coldest_c)
    fleet = Fleet(
        np.full((marks, bands), 1e-5),
        np.ones(len(history.served)),
        sources()[COLD].marks.copy(),
        kinds_of(history, fitted),
    )
    mild = history.coldest_c >= 8.0
    calls, hours = _counted(history, np.ones(len(history.calls))), _exposure(history)
    use = mild if hours[mild].sum() > 0 else np.ones(bands, dtype=bool)
    rate = (calls[:, use].sum(axis=1) + 0.5) / max(hours[use].sum(), HOURS_A_WEEK)
    fleet.ordinary = np.repeat(rate[:, None], bands, axis=1)
    return fleet


def _relearn(history: History, fleet: Fleet) -> None:
    """Rates of ordinary calls, the units' shares of them, and the words of cold calls, from what each call now is."""
    calls = history.calls
    made = sum(fleet.made.values(), np.zeros(len(calls)))
    plain = fleet.share[calls.unit] * fleet.ordinary[calls.mark, np.maximum(calls.band, 0)]
    total = np.maximum(plain + returning(calls, fleet) + made, 1e-300)
    is_ordinary = np.where(calls.is_complaint, plain / total, 0.0)
    counts, hours = _counted(history, is_ordinary), _exposure(history, fleet.share)
    fleet.ordinary = _smooth_rates(counts, hours)
    by_unit = np.bincount(calls.unit, is_ordinary, len(history.served))
    expected = _expected_ordinary(history, fleet)
    number = reference.numbers(NUMBERS)
    fleet.share = (number["ordinary calls before"] + by_unit) / (number["ordinary calls before"] + expected)
    is_cold = np.where(calls.is_complaint, fleet.made[COLD] / total, 0.0)
    words = number["cold words before"] * sources()[COLD].marks + np.bincount(calls.mark, is_cold, len(MARKS))
    fleet.cold_words = words / words.sum()


def _counted(history: History, weight: Array) -> Array:
    """Complaints by mark and band."""
    calls, bands = history.calls, len(history.coldest_c)
    keep = calls.is_complaint & (calls.band >= 0)
    flat = calls.mark[keep] * bands + calls.band[keep]
    counts = np.bincount(flat, weight[keep], len(MARKS) * bands).astype(np.float64)
    return counts.reshape(len(MARKS), bands)


def _exposure(history: History, share: Array | None = None) -> Array:
    """Unit-hours in service by band [h], each unit's counted `share` times."""
    weight = np.ones(len(history.served)) if share is None else share
    found = np.zeros(len(history.coldest_c))
    for station in range(len(history.hours)):
        here = history.station == station
        served = (history.served[here] * weight[here, None]).sum(axis=0)
        found += served @ history.hours[station]
    return found


def _expected_ordinary(history: History, fleet: Fleet) -> Array:
    """Ordinary calls that a usual unit would have had in each unit's place."""
    by_band = fleet.ordinary.sum(axis=0)
    expected = np.zeros(len(history.served))
    for station in range(len(history.hours)):
        here = history.station == station
        expected[here] = history.served[here] @ (history.hours[station] @ by_band)
    return expected


def _smooth_rates(counts: Array, hours: Array) -> Array:
    """Calls an hour by mark and band: neighbouring bands share, and half a call at each mark's mean stands before."""
    bands = np.arange(len(hours))
    near = np.exp(-0.5 * ((bands[:, None] - bands[None, :]) / reference.numbers(NUMBERS)["bands alike"]) ** 2)
    mean = (counts.sum(axis=1) + 0.5) / max(hours.sum(), HOURS_A_WEEK)
    before_h = 0.5 / mean
    return np.asarray((counts @ near + 0.5) / (hours @ near + before_h[:, None]))


def known_of(history: History, fleet: Fleet, source: Source, extra: Evidence | None) -> Iterator[tuple[Chunk, Known]]:
    """What is known of a condition, some hundreds of units at a time."""
    for chunk in chunks(history, fleet, source, extra):
        yield chunk, smoothed(chunk.log_like, chunk.moves)
