"""Stops made to order, of which nothing else is known."""

import numpy as np

from lowambient.traces.sides import Side
from lowambient.traces.stops import Stops


def made_stops(run_s: list[float], off_s: list[float], called: float = np.nan, wait_s: float = 60.0) -> Stops:
    """Stops of these lengths, each seen to end in a start."""
    count = len(run_s)
    numbers, unknown, no = np.zeros(count, dtype=np.int64), np.full(count, np.nan), np.zeros(count, dtype=bool)
    return Stops(
        last_on=numbers,
        first_off=numbers,
        last_off=numbers,
        restarts=~no,
        run_s=np.array(run_s),
        off_s=np.array(off_s),
        wait_s=np.full(count, wait_s),
        lowest_kpa=unknown,
        suction_rate=unknown,
        highest_kpa=unknown,
        head_rate=unknown,
        came_level=no,
        still_called=np.full(count, called),
        unseen_pauses=0.01,
        lp_opened=unknown,
        hp_opened=unknown,
        solenoid_shut=unknown,
        solenoid_open=no,
        solenoid_called=unknown,
        cooling=~no,
        outdoor_c=unknown,
        late_s=0.0,
        coldest_run_c=np.nan,
        idle_below_h=0.0,
    )


def made_side(reading_kpa: list[float], run_kpa: list[float], opened: float = np.nan) -> Side:
    """The low side at such stops: suction at each, and what it ran at before."""
    readings, count = np.array(reading_kpa), len(reading_kpa)
    unknown = np.full(count, np.nan)
    return Side(
        sign=-1.0,
        at_s=1000.0 * np.arange(count),
        reading_kpa=readings,
        rate_kpa_s=np.zeros(count),
        opened=np.full(count, opened),
        other_opened=unknown,
        steady_kpa=np.array(run_kpa),
        runs_kpa=np.array(run_kpa),
        runs_at_s=1000.0 * np.arange(count),
        run_kpa=np.array(run_kpa),
        run_sd_kpa=np.full(count, 5.0),
        rested_kpa=unknown,
        peaked_kpa=unknown,
    )
