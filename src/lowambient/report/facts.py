"""What a run knows about itself and no table holds."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime


@dataclass(frozen=True)
class RunFacts:
    """Facts of one run, for the pages.

    `fleet` is the company's name for it. `versions` maps program to version. `thresholds` maps a name of
    `reference/thresholds.tsv` to the value used; a name left out was used at its listed value. `data_from` and
    `data_to` bound the calls export (UTC). `last_winter` is the label, as in the `cold_hours` frame, of the winter
    that `calls_last_winter` counts. `notes` are remarks and assumptions, `failed_audits` the sentences of audits
    that found fault; both are shown as they are. `costs` maps a name of the profile's `[costs]` to its value, in
    `currency`.
    """

    fleet: str
    versions: Mapping[str, str] = field(default_factory=dict)
    thresholds: Mapping[str, float] = field(default_factory=dict)
    data_from: datetime | None = None
    data_to: datetime | None = None
    last_winter: str | None = None
    notes: tuple[str, ...] = ()
    failed_audits: tuple[str, ...] = ()
    costs: Mapping[str, float] = field(default_factory=dict)
    currency: str = ""
