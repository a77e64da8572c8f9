"""Flags of every unit with their evidence, and what the plan needs to know of each."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from lowambient.flags.call_causes import call_causes
from lowambient.flags.conditions import Condition, condition, states_now
from lowambient.flags.fitted import cools_in_cold, economizer_probability, fitted_probability
from lowambient.flags.history import History, history
from lowambient.flags.learning import Evidence, Fleet, learned, ordinary_rate
from lowambient.flags.recalibration import fleet_shift
from lowambient.flags.recurrence import calls_a_year, recurring
from lowambient.flags.signs import Piece, Signs, signs
from lowambient.flags.sources import COLD, SOFTNESS_K, Level, Source, sources
from lowambient.flags.tables import Judged, evidence_table, flag_table
from lowambient.flags.weighing import Known, Score, Weighed, log_odds, weighed

Array = npt.NDArray[np.float64]

SHOWN_FROM = 0.05
"""A flag of less probability is in the table only where evidence of its own speaks of it."""
REMEMBERED_FROM = 0.1
"""A unit that so likely locked out again and again at some time is in the table although it no longer does."""
COLD_LOCKOUT, HEAD_OUT, NO_HEAD = COLD_FLAGS = ("cold lockout", "head control out", "no head control")
SURE_ENOUGH = 0.5
"""From this probability of recurring, a state counts as recurring."""


@dataclass(frozen=True)
class Flagged:
    """Frames: `flags`, `evidence`; `call_causes` (call_id, cold_probability); `unit_states` (unit_id, state,
    probability, cold_calls_per_winter, is_sound, control; shape, starts_c, softness_k, calls_per_1000_h as in
    `sources.Level`, null for sound); `unit_causes` (unit_id; p_bypassed, p_no_control: share of its cold calls to be
    expected with a control that is out, and with none; flags that decide options)."""

    flags: pl.DataFrame
    evidence: pl.DataFrame
    call_causes: pl.DataFrame
    unit_states: pl.DataFrame
    unit_causes: pl.DataFrame


@dataclass(frozen=True)
class _Judge:
    """All that judging a condition needs."""

    history: History
    fleet: Fleet
    signs: Signs
    extra: Mapping[str, Evidence]
    fitted: Array
    cools: Array
    shares: Mapping[str, Array]
    recurs: Array
    thresholds: Mapping[str, float]

    def score(self, source: Source) -> Score:
        """Probabilities of a condition's flags from its states."""
        lost, cools = source.lost, self.cools

        def cold(states: Array, units: npt.NDArray[np.int64]) -> Array:
            fitted = self.fitted[units]
            return np.stack(
                [
                    (states * self.recurs[units]).sum(axis=1),
                    states @ lost * fitted,
                    states @ lost * cools[units] * (1 - fitted),
                ]
            )

        share = self.shares.get(source.name, np.ones(len(self.fitted)))
        return cold if source.name == COLD else lambda states, units: ((1 - states[:, 0]) * share[units])[None]

    def counted(self, source: Source) -> Array:
        """States that count for each flag: flag by unit by state."""
        shape = self.history.served.shape[0], len(source.levels) + 1
        on = np.ones(shape)
        on[:, 0] = 0
        if source.name != COLD:
            return on[None]
        lost = on * source.lost
        return np.stack([self.recurs >= SURE_ENOUGH, lost, lost]).astype(np.float64)


def judge_flags(frames: Mapping[str, pl.DataFrame], thresholds: Mapping[str, float]) -> Flagged:
    """Weighs everything that the records say of every unit.

    `frames`: the marts `flag_units`, `flag_calls`, `week_bands`, `year_bands`, `logged_weeks`, `logged_stops`, `span`,
    the tables `call_statements`, `head_pressure`, `circuit_months`, `jumpered_spans`, and `in_checks`.
    """
    known, fitted, found, extra, fleet = learn_records(frames, thresholds)
    recurs = recurring(calls_a_year(known, sources()[COLD]), thresholds)
    cools = cools_in_cold(known.units)
    shares = {HEAD_OUT: fitted, NO_HEAD: (1 - fitted) * cools, "economizer idle": economizer_probability(known.units)}
    judge = _Judge(known, fleet, found, extra, fitted, cools, shares, recurs, thresholds)
    logged = _logged(known, frames["logged_weeks"])
    judged: list[Judged] = []
    cold: Condition | None = None
    for source in sources().values():
        result = condition(known, fleet, source, extra.get(source.name), judge.counted(source), logged)
        judged += _judged(judge, result)
        cold = result if source.name == COLD else cold
    flags = flag_table(known, judged, frames["in_checks"], thresholds)
    assert cold is not None
    return Flagged(
        flags,
        evidence_table(known, judged),
        call_causes(known, fleet),
        _unit_states(known, cold.source, cold.now),
        _unit_causes(known, cold, fitted, judged),
    )


def unit_states(frames: Mapping[str, pl.DataFrame], thresholds: Mapping[str, float]) -> pl.DataFrame:
    """`Flagged.unit_states` alone, of the same frames, in a fraction of the time: no evidence is weighed."""
    known, _, _, extra, fleet = learn_records(frames, thresholds)
    source = sources()[COLD]
    return _unit_states(known, source, states_now(known, fleet, source, extra.get(COLD)))


def learn_records(
    frames: Mapping[str, pl.DataFrame], thresholds: Mapping[str, float]
) -> tuple[History, Array, Signs, dict[str, Evidence], Fleet]:
    """The records, which units have a control, the signs of the records and what all of it taught."""
    known = history(frames, thresholds["band_width_k"])
    fitted = fitted_probability(known.units, frames)
    found = signs(known, frames, fitted)
    extra = found.evidence()
    return known, fitted, found, extra, learned(known, extra, fitted)


def _judged(judge: _Judge, result: Condition) -> list[Judged]:
    """The flags of one condition, with the evidence of the units that may have it."""
    source = result.source
    names = COLD_FLAGS if source.name == COLD else (source.name,)
    every = np.arange(len(judge.history.served))
    now = judge.score(source)(result.now, every)
    extra = judge.extra.get(source.name)
    kept = np.zeros(len(every), dtype=bool)
    if extra is not None:
        kept[np.unique(extra.unit)] = True
    if source.name == COLD:
        kept |= result.ever[names.index(COLD_LOCKOUT)] >= REMEMBERED_FROM
    units = np.flatnonzero(kept | (now.max(axis=0) >= SHOWN_FROM))
    pieces: list[Weighed] = list(
        weighed(Known(judge.history, judge.fleet, judge.signs, extra), source, units, judge.score(source))
    )
    episodes = _episodes(judge, source)
    answer = []
    for place, name in enumerate(names):
        share = judge.shares.get(name, np.ones(len(every)))
        own = [(each.piece, float(each.weights[place])) for each in pieces]
        likely = now[place]
        moved = fleet_shift(own, name)
        if moved is not None:
            shift, sentence = moved
            likely = 1 / (1 + np.exp(-(log_odds(likely) + shift)))
            own += [(Piece(int(unit), None, "checks", None, "checks", name, sentence), shift) for unit in units]
        answer.append(
            Judged(
                flag=name,
                probability=np.where(kept | (now[place] >= SHOWN_FROM), likely, np.nan),
                ever=np.maximum(result.ever[place] * share, likely),
                logged=result.logged[place] * share,
                episodes=episodes,
                pieces=tuple(own),
            )
        )
    return answer


def _episodes(judge: _Judge, source: Source) -> npt.NDArray[np.int64]:
    """Episodes that are more likely this condition's than anything else's, of each unit."""
    calls, fleet = judge.history.calls, judge.fleet
    made = fleet.made.get(source.name, np.zeros(len(calls)))
    total = ordinary_rate(judge.history, fleet) + sum(fleet.made.values(), np.zeros(len(calls)))
    own = np.flatnonzero(calls.is_complaint & (made > 0.5 * total))
    unit, at = calls.unit[own], calls.opened_h[own]
    new = np.ones(len(own), dtype=bool)
    new[1:] = (unit[1:] != unit[:-1]) | (np.diff(at) > 24 * judge.thresholds["episode_days"])
    return np.bincount(unit[new], minlength=len(judge.history.served)).astype(np.int64)


def _logged(known: History, weeks: pl.DataFrame) -> npt.NDArray[np.bool_]:
    number = known.number
    found = np.zeros(known.served.shape, dtype=bool)
    for unit_id, week in weeks.select("unit_id", "week").drop_nulls().iter_rows():
        if unit_id in number and 0 <= week < known.weeks:
            found[number[unit_id], week] = True
    return found


def _unit_states(known: History, source: Source, now: Array) -> pl.DataFrame:
    """Probability of each state of the cold condition now, and the calls that a typical winter would bring in it."""
    calls = calls_a_year(known, source)
    levels = source.levels
    names = ["sound", *(_state_name(level) for level in levels)]
    units, states = calls.shape
    return pl.DataFrame(
        {
            "unit_id": known.units["unit_id"].gather(np.repeat(np.arange(units), states)),
            "state": names * units,
            "probability": now.ravel(),
            "cold_calls_per_winter": calls.ravel(),
            "is_sound": ([True] + [False] * (states - 1)) * units,
            "control": ["works", *(level.control for level in levels)] * units,
            "shape": [None, *(level.shape for level in levels)] * units,
            "starts_c": [None, *(level.starts_c for level in levels)] * units,
            "softness_k": [None, *(SOFTNESS_K for _ in levels)] * units,
            "calls_per_1000_h": [None, *(1000 * level.calls_per_h for level in levels)] * units,
        }
    )


def _state_name(level: Level) -> str:
    if level.shape == "none":
        return "control lost, no harm seen"
    return f"control {level.control}, below {level.starts_c:g} degC, {1000 * level.calls_per_h:g} calls per 1000 h"


def _unit_causes(known: History, cold: Condition, fitted: Array, judged: list[Judged]) -> pl.DataFrame:
    """What is behind the cold calls of each unit: shares of those to be expected by state, and other flags."""
    by_flag = {each.flag: np.nan_to_num(each.probability) for each in judged}
    expected = cold.now * calls_a_year(known, cold.source)
    lost = (expected @ cold.source.lost) / np.maximum(expected.sum(axis=1), 1e-12)
    return pl.DataFrame(
        {
            "unit_id": known.units["unit_id"],
            "p_bypassed": lost * fitted,
            "p_no_control": lost * (1 - fitted),
            "p_low_charge": by_flag["low charge"],
            "p_lp_jumpered": by_flag["lp switch jumpered"],
            "p_economizer_idle": by_flag["economizer idle"],
        }
    )
