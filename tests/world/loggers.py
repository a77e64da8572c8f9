"""Who gets a logger, when, for how long, and what kind of logger it is."""

from dataclasses import dataclass

import numpy as np

from .life import Life
from .options import Habits, Options

HOUR_S = 3600
LONGEST_DAYS = 28


@dataclass(frozen=True)
class Job:
    """One circuit under a logger from hour `start` (of the world) for `hours`."""

    life: Life
    circuit: int
    start: int
    hours: int
    interval_s: int
    brand: str


BRANDS = ("clamp", "gauge box", "panel", "historian")


def draw_jobs(options: Options, habits: Habits, lives: list[Life], rng: np.random.Generator) -> list[Job]:
    """Loggers at random, or where the calls of the cold have been."""
    number = round(options.logger_share * len(lives))
    trouble = np.array(
        [sum(t.cold_lockout and t.opened > habits.exports_from for t in life.tickets) for life in lives], float
    )
    weight = np.ones(len(lives)) if options.loggers_go == "random" else 0.12 + np.minimum(trouble, 6.0)
    if number == 0:
        return []
    chosen = sorted(rng.choice(len(lives), number, replace=False, p=weight / weight.sum()))
    jobs: list[Job] = []
    for i in chosen:
        life = lives[int(i)]
        for _ in range(2 if rng.random() < 0.12 else 1):
            hours = 24 * int(rng.integers(12, LONGEST_DAYS + 1))
            start = _when(options, habits, life, hours, rng)
            interval = int(rng.choice([30, 60, 120, 300, 600], p=[0.08, 0.42, 0.15, 0.25, 0.1]))
            brand = str(rng.choice(BRANDS))
            if brand == "historian":
                interval = int(rng.choice([60, 300, 600], p=[0.1, 0.6, 0.3]))
            if any(j.life is life and start < j.start + j.hours and j.start < start + hours for j in jobs):
                continue
            jobs += [Job(life, at, start, hours, interval, brand) for at in range(len(life.now))]
    return jobs


def _when(options: Options, habits: Habits, life: Life, hours: int, rng: np.random.Generator) -> int:
    first, last = habits.exports_from + 24, habits.hours - hours - 24
    calls = [t.closed for t in life.tickets if t.cold_lockout and first < t.closed < last - 500]
    if options.loggers_go == "troubled" and calls and rng.random() < 0.65:
        return int(min(last, float(rng.choice(calls)) + rng.uniform(24, 480)))
    if rng.random() < 0.72:
        winter = int(rng.integers(options.winters))
        day = rng.uniform(125, 265 - hours / 24)  # November to March, from a start in July
        return int(np.clip(habits.exports_from + winter * 8766 + 24 * day, first, last))
    return int(rng.integers(first, last))
