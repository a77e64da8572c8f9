"""What a run of the generator can be asked for, and the names of the invented company and its towns."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np

COMPANY = "Quillfern Mechanical"
REGIONS = ("lakes", "highlands", "north")

TOWN_STARTS = (
    "Ostrey",
    "Tallow",
    "Brindle",
    "Harrow",
    "Pennick",
    "Quern",
    "Sallow",
    "Thistle",
    "Marl",
    "Wickham",
    "Fennel",
    "Corbel",
    "Dapple",
    "Elder",
    "Garrow",
    "Hobb",
    "Kestle",
    "Lorrim",
    "Mossel",
    "Nettle",
)
TOWN_ENDS = ("mere", "combe", "ford Mills", "ley", "wick", "stow", "holm", "bridge", "field", "worth")


@dataclass(frozen=True)
class Options:
    """One fleet to be made."""

    out: Path
    seed: int = 7
    units: int = 300
    sites: int | None = None
    start: date = date(2014, 9, 1)
    end: date = date(2018, 9, 30)
    climates: tuple[str, ...] = REGIONS
    refrigerants: tuple[str, ...] = ()
    logger_share: float = 0.2
    loggers_go: str = "random"  # or "troubled"
    intervals_s: tuple[int, ...] = ()  # all loggers on these; empty: the habits of each kind of logger
    log_days: int = 26
    probe_sessions: int = 40
    missing_channels: float = 0.1
    future_winters: int = 5

    @property
    def climate_weights(self) -> dict[str, float]:
        """How units spread over the climates."""
        usual = {"lakes": 5.0, "highlands": 3.0, "north": 2.0}
        return {region: usual[region] for region in self.climates}

    @property
    def first_hour(self) -> datetime:
        """Start of the simulated span, UTC."""
        return datetime(self.start.year, self.start.month, self.start.day, tzinfo=UTC)

    @property
    def hours(self) -> int:
        """Simulated hours, through the end of the last day."""
        return ((self.end - self.start).days + 1) * 24


class Pick:
    """Draws from weighted choices and makes names of towns."""

    def weighted(self, rng: np.random.Generator, weights: dict[str, float]) -> str:
        """One key, in proportion to its weight."""
        keys = list(weights)
        share = np.array([weights[key] for key in keys], dtype=float)
        return keys[int(rng.choice(len(keys), p=share / share.sum()))]

    def site_name(self, rng: np.random.Generator, kind: str, used: set[str]) -> str:
        """An invented town and a kind of site, not used before."""
        for attempt in range(200):
            town = str(rng.choice(TOWN_STARTS)) + str(rng.choice(TOWN_ENDS))
            name = f"{town} {kind}" + (f" {attempt // 60 + 1}" if attempt >= 60 else "")
            if name not in used:
                break
        else:
            name = f"{name} {len(used) + 1}"
        used.add(name)
        return name
