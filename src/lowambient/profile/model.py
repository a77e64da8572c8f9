"""What a `fleet.toml` says, once it has been validated."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path


@dataclass(frozen=True)
class ColumnSource:
    """A column of a file that feeds a contract column, and the unit of measure it is written in."""

    column: str
    unit: str | None = None


@dataclass(frozen=True)
class ChannelSource:
    """What a text in the channel column of a long readings file stands for."""

    channel: str
    unit: str | None = None


@dataclass(frozen=True)
class SourceProfile:
    """One kind of export: its files and how to read them. `key` is its place in the profile, for messages."""

    key: str
    table: str
    files: tuple[str, ...]
    format: str | None = None
    encoding: str | None = None
    delimiter: str | None = None
    sheet: str | None = None
    header_row: int | None = None
    decimal: str = "."
    missing: tuple[str, ...] = ()
    time_zone: str | None = None
    dates: tuple[str, ...] = ()
    date_order: str | None = None
    replaces: str = "nothing"
    layout: str = "wide"
    kind: str = "observed"
    pressure: str | None = None
    columns: Mapping[str, ColumnSource] = field(default_factory=dict)
    constants: Mapping[str, str] = field(default_factory=dict)
    values: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    channels: Mapping[str, ChannelSource] = field(default_factory=dict)
    file_name_pattern: str | None = None


@dataclass(frozen=True)
class Costs:
    """What a call costs the contractor, in `currency`; null where the profile does not say."""

    truck_roll: float | None = None
    labour_per_h: float | None = None
    after_hours_factor: float | None = None
    currency: str = "USD"


@dataclass(frozen=True)
class OptionProfile:
    """What a company says of one retrofit option; null where the reference row stands.

    `parts_cost` in the profile's currency and `crew_h` for each unit or circuit, as the option says;
    `lowest_ambient_c` [degC]; `effect`: mean share of avoidable calls avoided [-], with the weight it has already.
    """

    offered: bool = True
    parts_cost: float | None = None
    crew_h: float | None = None
    lowest_ambient_c: float | None = None
    effect: float | None = None


@dataclass(frozen=True)
class PlanLimits:
    """What there is for winter work: money in the profile's currency, crew hours; null is no limit.

    `objective`: `calls` seeks the most cold calls avoided, `money` the most saved, of contractor and customer together.
    """

    budget: float | None = None
    crew_h: float | None = None
    objective: str = "calls"


@dataclass(frozen=True)
class OwnWord:
    """A word of the company's own notes and what it means; `weight` null for the usual one."""

    words: str
    meant: str
    weight: float | None


@dataclass(frozen=True)
class Profile:
    """One fleet. Paths of sources are relative to `folder`; `thresholds` holds every threshold by name."""

    path: Path
    name: str
    store: Path
    units: str
    time_zone: str | None
    thresholds: Mapping[str, float]
    changed_thresholds: Mapping[str, float]
    costs: Costs
    sources: tuple[SourceProfile, ...]
    plan: PlanLimits = PlanLimits()
    options: Mapping[str, OptionProfile] = field(default_factory=dict)
    words: tuple[OwnWord, ...] = ()

    @property
    def folder(self) -> Path:
        """Folder that the profile's paths are relative to."""
        return self.path.parent
