"""What is usual of a kind of unit: how many have a condition, at which level, how often it begins."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lowambient import reference
from lowambient.flags.history import History
from lowambient.flags.sources import COLD, Source

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]

NUMBERS = "flag_numbers"
"""Table of `reference/` with the numbers that flags are weighed with beside those of each condition."""


@dataclass(frozen=True)
class Usual:
    """For some units: `first` unit by state, `entry` unit by level, rates by unit [1/year]."""

    first: Array
    entry: Array
    begins_per_year: Array
    ends_per_year: Array
    redrawn_per_year: float


@dataclass
class Kinds:
    """Kinds of units by control listed and by duty; `lost`: share that has no working control, by control listed, and
    `levels` by duty, both learned."""

    control: Index
    duty: Index
    reset_ambient_c: Array
    fitted: Array
    lost: Array
    lost_before: Array
    begins: Array
    ends: Array
    levels: Array
    levels_before: Array

    def of(self, source: Source, units: Index) -> Usual:
        """What is usual of each of these units for a condition."""
        count, redrawn = len(units), reference.numbers(NUMBERS)["level redrawn"]
        if source.name != COLD:
            first = np.concatenate([[1 - source.prior], source.prior * source.shares])
            return Usual(
                np.repeat(first[None], count, axis=0),
                np.repeat(source.shares[None], count, axis=0),
                np.full(count, source.begins_per_year),
                np.full(count, source.ends_per_year),
                redrawn,
            )
        control = self.control[units]
        entry = self._entry(source, units)
        lost = self.lost[control][:, None]
        return Usual(
            np.concatenate([1 - lost, lost * entry], axis=1),
            entry,
            self.begins[control],
            self.ends[control],
            redrawn,
        )

    def _entry(self, source: Source, units: Index) -> Array:
        """Levels by unit: those of its duty, weighed by how near they begin to its reset ambient."""
        starts = np.array([level.starts_c for level in source.levels])
        harmless = np.array([level.shape == "none" for level in source.levels])
        number = reference.numbers(NUMBERS)
        away = (starts[None, :] - self.reset_ambient_c[units][:, None]) / number["near reset"]
        near = np.where(np.isfinite(away), number["elsewhere"] + np.exp(-0.5 * np.nan_to_num(away) ** 2), 1.0)
        works = np.array([level.control == "works" for level in source.levels])
        entry = self.levels[self.duty[units]]
        entry = np.where(works, entry * self.fitted[units][:, None], entry)  # what is not fitted cannot work
        entry /= entry.sum(axis=1, keepdims=True)
        for group in (~harmless & ~works, works):
            weighed = np.where(group, entry * near, 0.0)
            scaled = weighed * (entry[:, group].sum(axis=1) / np.maximum(weighed.sum(axis=1), 1e-12))[:, None]
            entry = np.where(group, scaled, entry)
        return np.asarray(entry)

    def learn(self, source: Source, begun: Array, lasting: Array) -> None:
        """Moves what is usual towards what the units of each kind show; `begun`, `lasting`: unit by state."""
        if source.name != COLD:
            return
        before = reference.numbers(NUMBERS)["kinds before"]
        for kind in range(len(self.lost)):
            of_kind = self.control == kind
            has = before * self.lost_before[kind] + (1 - begun[of_kind, 0]).sum()
            self.lost[kind] = has / (before + of_kind.sum())
        for duty in range(len(self.levels)):
            on = lasting[self.duty == duty, 1:].sum(axis=0)
            total = before * self.levels_before[duty] + on
            self.levels[duty] = total / total.sum()


def kinds_of(history: History, fitted: Array) -> Kinds:
    """Kinds of all units from the unit list, with what is usual of them by `reference/condition_kinds.tsv`.

    `fitted`: probability that each unit has a head-pressure control at all.
    """
    rows = reference.rows("condition_kinds")
    controls = [row for row in rows if row["kind"] == "head_control"]
    duties = [row for row in rows if row["kind"] == "duty"]
    units = history.units
    levels = reference.rows("condition_levels")
    shares = np.array([float(row["share"]) for row in levels if row["condition"] == COLD])
    harmless = np.array([row["shape"] == "none" for row in levels if row["condition"] == COLD])
    by_duty = np.stack([_with_harmless(shares, harmless, float(row["harmless"])) for row in duties])
    lost = np.array([float(row["lost"]) for row in controls])
    reset = units["reset_ambient_c"].cast(float).fill_null(np.nan).to_numpy()
    return Kinds(
        control=_places(units["head_control"].to_list(), [row["value"] for row in controls]),
        duty=_places(units["duty"].to_list(), [row["value"] for row in duties]),
        reset_ambient_c=reset,
        fitted=fitted,
        lost=lost.copy(),
        lost_before=lost,
        begins=np.array([float(row["begins_per_year"]) for row in controls]),
        ends=np.array([float(row["ends_per_year"]) for row in controls]),
        levels=by_duty.copy(),
        levels_before=by_duty,
    )


def _with_harmless(shares: Array, harmless: npt.NDArray[np.bool_], share: float) -> Array:
    scaled = np.where(harmless, 0.0, shares)
    return np.asarray(np.where(harmless, share, scaled / scaled.sum() * (1 - share)))


def _places(written: list[str | None], values: list[str]) -> Index:
    """The row of each value; the row of `unknown` for what is not said."""
    place = {value: number for number, value in enumerate(values)}
    return np.array([place.get(each or "unknown", place["unknown"]) for each in written], dtype=np.int64)
