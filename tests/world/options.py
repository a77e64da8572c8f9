"""What can be asked of a world, and the habits that its seed draws for company, customers and technicians."""

import datetime as dt
from dataclasses import dataclass, field

import numpy as np

CLIMATE_SETS = {
    "mixed": ("continental", "maritime", "high desert", "upland", "northern"),
    "maritime": ("maritime",),
    "continental": ("continental",),
    "high desert": ("high desert",),
    "upland": ("upland",),
    "northern": ("northern",),
    "mild": ("mild coast",),
}
FUTURE_WINTERS = 5
BEFORE_YEARS = 2  # lived before the exports begin, so that a world does not start with every weak unit unmended


@dataclass(frozen=True)
class Options:
    """One world. `climate` is a key of CLIMATE_SETS; None draws one by seed."""

    seed: int
    units: int = 200
    winters: int = 4
    logger_share: float = 0.25
    loggers_go: str = "random"
    climate: str | None = None
    checks: float = 0.05

    def __post_init__(self) -> None:
        if self.loggers_go not in {"random", "troubled"}:
            raise ValueError(f"loggers_go is random or troubled, not {self.loggers_go!r}")
        if self.climate is not None and self.climate not in CLIMATE_SETS:
            raise ValueError(f"climate is one of {', '.join(CLIMATE_SETS)}, not {self.climate!r}")


@dataclass(frozen=True)
class Technician:
    """Who comes, how much he sees, and how he writes. Shares are [-]."""

    name: str
    skill: float  # share of ordinary faults he finds
    cold_insight: float  # share of lost or missing head controls he recognises
    bypasses: float  # share of mild visits on which he bypasses a fan control that seems dead
    jumpers: float  # share of low-pressure calls that he "cures" with a jumper
    tops_up: float  # share of low-pressure calls on which he adds refrigerant that was not missing
    parts_happy: float
    style: str
    says_little: float
    misspells: float
    labour_factor: float


@dataclass(frozen=True)
class Habits:
    """Drawn once a world; shares are [-] unless the name says otherwise."""

    start: dt.datetime  # UTC, of the world; the exports begin at hour `exports_from`
    hours: int
    exports_from: int
    climates: tuple[str, ...]
    year_round_share: float
    none_fitted_share: float
    controls_bad_at_start: float
    resets_by_staff: float
    note_blank: float
    note_wrong: float
    nuisance_per_year: float
    heating_per_year: float
    planned_per_year: float
    list_blank: float
    list_wrong: float
    control_unlisted: float
    control_mislisted: float
    switch_listed: float
    duplicate_share: float
    cancelled_share: float
    late_close_share: float
    id_dirt: float
    bypass_level: float
    fault_level: float
    quote_accepted: float
    id_style: str
    technicians: tuple[Technician, ...]
    words: dict[str, str] = field(default_factory=dict)


SURNAMES = [
    "Abelard",
    "Brannock",
    "Corvane",
    "Dunmarrow",
    "Estwick",
    "Farrowby",
    "Gillingwater",
    "Hexham",
    "Ivelle",
    "Jarnow",
    "Kestering",
    "Lodvane",
    "Marrable",
    "Norcott",
    "Oxbrow",
    "Pellagrin",
    "Quenby",
    "Rushmere",
    "Stavely",
    "Tolliver",
    "Umberlee",
    "Vantrice",
    "Wexcombe",
    "Yardlow",
    "Zellner",
]
STYLES = ("terse", "capitals", "chatty", "list", "careless")


def draw_habits(options: Options, rng: np.random.Generator) -> Habits:
    """Draw the habits of one world."""
    first = dt.datetime(int(rng.integers(2012, 2021)), 7, 1)
    start = dt.datetime(first.year - BEFORE_YEARS, 7, 1)
    before = (first - start).days * 24
    end_day = int(rng.integers(25, 115))  # the export ends between late July and late October
    hours = before + 24 * ((dt.datetime(first.year + options.winters, 7, 1) - first).days + end_day)
    climate = options.climate or str(rng.choice(["mixed", "mixed", "continental", "high desert", "maritime", "upland"]))
    technicians = tuple(_technician(rng, name) for name in rng.permutation(SURNAMES)[: max(4, options.units // 22)])
    return Habits(
        start=start,
        hours=hours,
        exports_from=before,
        climates=CLIMATE_SETS[climate],
        year_round_share=rng.uniform(0.28, 0.6),
        none_fitted_share=rng.uniform(0.25, 0.6),
        controls_bad_at_start=rng.uniform(0.04, 0.2),
        resets_by_staff=rng.uniform(0.02, 0.3),
        note_blank=rng.uniform(0.17, 0.33),
        note_wrong=rng.uniform(0.09, 0.18),
        nuisance_per_year=rng.uniform(0.4, 1.4),
        heating_per_year=rng.uniform(0.1, 0.6),
        planned_per_year=float(rng.choice([1.0, 2.0, 2.0, 4.0])),
        list_blank=rng.uniform(0.0, 0.12),
        list_wrong=rng.uniform(0.0, 0.06),
        control_unlisted=rng.uniform(0.1, 0.6),
        control_mislisted=rng.uniform(0.0, 0.12),
        switch_listed=rng.uniform(0.0, 0.7),
        duplicate_share=rng.uniform(0.0, 0.03),
        cancelled_share=rng.uniform(0.0, 0.05),
        late_close_share=rng.uniform(0.0, 0.2),
        id_dirt=rng.uniform(0.0, 0.4),
        bypass_level=rng.uniform(0.5, 2.0),
        fault_level=rng.uniform(0.6, 1.6),
        quote_accepted=rng.uniform(0.04, 0.25),
        id_style=str(rng.choice(["class", "site", "asset", "roof", "class"])),
        technicians=technicians,
    )


def _technician(rng: np.random.Generator, surname: str) -> Technician:
    initial = "ABCDEGHJKLMNPRSTW"[int(rng.integers(17))]
    return Technician(
        name=str(rng.choice([f"{initial}. {surname}", surname, f"{surname} {initial}"])),
        skill=rng.uniform(0.5, 0.92),
        cold_insight=rng.beta(1.2, 8.0),
        bypasses=rng.beta(1.0, 40.0),
        jumpers=rng.beta(1.0, 35.0),
        tops_up=rng.beta(1.5, 7.0),
        parts_happy=rng.beta(2.0, 8.0),
        style=str(rng.choice(STYLES)),
        says_little=rng.beta(2.0, 5.0),
        misspells=rng.beta(1.0, 8.0),
        labour_factor=rng.uniform(0.8, 1.3),
    )
