"""Retrofit options and the packages they are done in: the reference, with what the profile says instead."""

from collections.abc import Mapping
from dataclasses import dataclass

from lowambient import reference
from lowambient.profile import OptionProfile

CHECK = "pre-season check"
DO_NOTHING = "do nothing"
RECONNECT = "control reconnected or replaced"
FAN_CYCLING = "fan-cycling control"
FAN_SPEED = "fan-speed control"
FLOODED = "flooded condenser"
BAFFLES = "wind baffles"
DELAY = "winter-start delay"
LP_SWITCH = "LP switch like for like"
ECONOMIZER = "economizer repair"
CHARGE = "leak mended, charge weighed in"


@dataclass(frozen=True)
class Option:
    """One thing that can be done. `parts_cost` [currency] and `crew_h` [h] for each `for_each` (unit, circuit);
    `lowest_ambient_c` [degC], null where it holds no head pressure; `effect`: mean that the profile sets, else null."""

    name: str
    place: int
    for_each: str
    parts_cost: float
    crew_h: float
    lowest_ambient_c: float | None
    work: str
    needs: str
    offered: bool
    effect: float | None
    source: str
    ambient_source: str


@dataclass(frozen=True)
class Package:
    """Options done in one visit; `lowest_ambient_c` as for an option, by `ambient_source`."""

    name: str
    options: tuple[Option, ...]
    lowest_ambient_c: float | None
    ambient_source: str

    @property
    def offered(self) -> bool:
        """Every option of it is."""
        return all(option.offered for option in self.options)

    @property
    def names(self) -> tuple[str, ...]:
        """Its options by name."""
        return tuple(option.name for option in self.options)

    @property
    def needs(self) -> str:
        """What the tech lead has to make sure of first."""
        return "; ".join(option.needs for option in self.options if option.needs)

    def resources(self, circuits: int) -> tuple[float, float]:
        """Parts [currency] and crew hours [h] on a unit of so many circuits."""
        count = {"unit": 1, "circuit": circuits}
        parts = sum(option.parts_cost * count[option.for_each] for option in self.options)
        hours = sum(option.crew_h * count[option.for_each] for option in self.options)
        return parts, hours


def options(given: Mapping[str, OptionProfile]) -> dict[str, Option]:
    """Every option by name, in order of `options.tsv`, with what the profile gives."""
    return {row["option"]: _option(row, given.get(row["option"], OptionProfile())) for row in reference.rows("options")}


def _option(row: Mapping[str, str], given: OptionProfile) -> Option:
    lowest = float(row["lowest_ambient_c"]) if row["lowest_ambient_c"] else None
    priced = given.parts_cost is not None or given.crew_h is not None
    return Option(
        name=row["option"],
        place=int(row["place"]),
        for_each=row["for_each"],
        parts_cost=float(row["parts_cost"]) if given.parts_cost is None else given.parts_cost,
        crew_h=float(row["crew_h"]) if given.crew_h is None else given.crew_h,
        lowest_ambient_c=lowest if given.lowest_ambient_c is None else given.lowest_ambient_c,
        work=row["work"],
        needs=row["needs"],
        offered=given.offered,
        effect=given.effect,
        source="profile" if priced else row["source"],
        ambient_source=row["ambient_source"] if given.lowest_ambient_c is None else "profile",
    )


def packages(given: Mapping[str, OptionProfile]) -> tuple[Package, ...]:
    """Every package, in order of `packages.tsv`.

    A package holds to its own lowest ambient, unless the profile sets one for an option of it: then to the coldest
    of its options'.
    """
    every = options(given)
    return tuple(_package(row, every, given) for row in reference.rows("packages"))


def _package(row: Mapping[str, str], every: Mapping[str, Option], given: Mapping[str, OptionProfile]) -> Package:
    inside = tuple(every[name] for name in row["options"].split(" | "))
    own = [each for each in inside if each.lowest_ambient_c is not None]
    coldest = min(own, key=lambda each: each.lowest_ambient_c or 0.0) if own else None
    is_set = any(option.name in given and given[option.name].lowest_ambient_c is not None for option in inside)
    if row["lowest_ambient_c"] and not is_set:
        return Package(row["package"], inside, float(row["lowest_ambient_c"]), row["source"])
    lowest = coldest.lowest_ambient_c if coldest else None
    return Package(row["package"], inside, lowest, coldest.ambient_source if coldest else "")
