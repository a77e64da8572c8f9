"""Conditions that make calls, as data: at which outdoor temperatures, how often, with which words, and how they end."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

from lowambient import reference

Array = npt.NDArray[np.float64]

COLD = "cold"
"""The condition that locks a circuit out in the cold: no working head-pressure control, at some level or at none."""

HINT, UNCLEAR, OTHER = "low-pressure hint", "unclear", "other"
MARKS = (*(name for name in reference.vocabulary("symptom") if name != "planned"), HINT, UNCLEAR)
"""What the words of a complaint may amount to."""


@dataclass(frozen=True)
class Level:
    """One level of a condition: calls an hour [1/h] at `starts_c`-dependent outdoor temperatures.

    `shape`: 'none', 'cold' (below `starts_c`), 'warm' (above it), 'any'. `control`: 'lost' or 'works', of the cold
    condition alone.
    """

    shape: str
    starts_c: float
    calls_per_h: float
    control: str = ""

    @property
    def is_lost(self) -> bool:
        """Whether no head-pressure control works at this level."""
        return self.control == "lost"

    def hazard(self, coldest_c: Array) -> Array:
        """Calls an hour at these temperatures of the coldest hour of the day before [1/h]."""
        if self.shape == "none":
            return np.zeros_like(coldest_c)
        if self.shape == "any":
            return np.full_like(coldest_c, self.calls_per_h)
        below = (self.starts_c - coldest_c) / SOFTNESS_K
        return np.asarray(self.calls_per_h / (1 + np.exp(np.clip(-below if self.shape == "cold" else below, -50, 50))))


SOFTNESS_K = 1.5
"""Width of the step about the temperature at which a condition begins to make calls (judgement)."""


@dataclass(frozen=True)
class Source:
    """A condition: its levels with their usual shares, the words of its calls, how it begins and ends by itself.

    `marks`: probability of each of MARKS given a call that it made; `begins_per_year`, `ends_per_year`: without any
    visit; `prior`: share of units that have it when the records begin.
    """

    name: str
    levels: tuple[Level, ...]
    shares: Array
    marks: Array
    prior: float
    begins_per_year: float
    ends_per_year: float

    @property
    def lost(self) -> Array:
        """By state (off first), 1 where no head-pressure control works."""
        return np.array([0.0, *(float(level.is_lost) for level in self.levels)])

    @property
    def harmful(self) -> Array:
        """By state, 1 where it makes calls."""
        return np.array([0.0, *(float(level.shape != "none") for level in self.levels)])

    def hazards(self, coldest_c: Array) -> Array:
        """Calls an hour of each state (off first) at each temperature: state by temperature."""
        return np.stack([np.zeros_like(coldest_c), *(level.hazard(coldest_c) for level in self.levels)])


@cache
def sources() -> dict[str, Source]:
    """Every condition of `reference/condition_levels.tsv`, with its words and its comings and goings."""
    levels: dict[str, list[dict[str, str]]] = {}
    for row in reference.rows("condition_levels"):
        levels.setdefault(row["condition"], []).append(row)
    words = _words()
    found = {}
    for row in reference.rows("conditions"):
        name = row["condition"]
        own = levels.get(name, [])
        shares = np.array([float(level["share"]) for level in own])
        found[name] = Source(
            name,
            tuple(_level(each) for each in own),
            shares / shares.sum(),
            words[name],
            float(row["prior"]),
            float(row["begins_per_year"]),
            float(row["ends_per_year"]),
        )
    return found


def _level(row: Mapping[str, str]) -> Level:
    return Level(row["shape"], float(row["starts_c"]), float(row["calls_per_1000_h"]) / 1000, row["control"])


def _words() -> dict[str, Array]:
    shares: dict[str, Array] = {}
    for row in reference.rows("condition_words"):
        table = shares.setdefault(row["condition"], np.full(len(MARKS), 0.002))
        table[MARKS.index(row["words"])] = float(row["share"])
    return {name: table / table.sum() for name, table in shares.items()}
