"""Where the low-pressure switch lets a circuit start again, from rests made by hand."""

from dataclasses import replace

import numpy as np
import pytest
from made_stops import made_stops

from lowambient.traces.brackets import Estimate
from lowambient.traces.circuit import CHANNELS, Trace
from lowambient.traces.resets import lp_reset
from lowambient.traces.stops import Stops

STEP_S, NOISE_KPA = 60.0, 4.0


def rests(lengths_s: list[float], ends_kpa: list[float], seed: int) -> tuple[Trace, Stops]:
    """Rests in which suction climbs from 200 kPa to where each ends, a sample a minute, with runs of five between."""
    random = np.random.default_rng(seed)
    suction, first, last = [np.full(5, 250.0)], [], []
    for length_s, end_kpa in zip(lengths_s, ends_kpa, strict=True):
        count = int(length_s // STEP_S)
        first.append(sum(map(len, suction)))
        suction.append(200.0 + (end_kpa - 200.0) * np.minimum(np.arange(1, count + 1) / min(count, 30), 1.0))
        last.append(first[-1] + count - 1)
        suction.append(np.full(5, 250.0))
    readings = np.concatenate(suction)
    values = {name: np.full(len(readings), np.nan) for name in (*CHANNELS, "heating")}
    values["suction_kpa"] = readings + random.normal(0.0, NOISE_KPA, len(readings))
    seen = replace(made_stops([120.0] * len(first), lengths_s), first_off=np.array(first), last_off=np.array(last))
    return Trace(STEP_S * np.arange(len(readings)), STEP_S, values, "R-22"), seen


def reset(lengths_s: list[float], ends_kpa: list[float], listed_kpa: float | None = None) -> Estimate | None:
    trace, seen = rests(lengths_s, ends_kpa, 1)
    is_trip = np.ones(len(seen), dtype=bool)
    return lp_reset(trace, seen, is_trip, (listed_kpa, None), NOISE_KPA, from_split=False)


def test_rests_of_many_lengths_that_end_at_one_pressure_show_the_reset() -> None:
    """A switch closes at one pressure however long that takes."""
    lengths_s = [180.0, 240.0, 300.0, 360.0, 420.0, 480.0, 900.0, 1500.0]
    found = reset(lengths_s, [430.0] * 8)
    assert found is not None
    assert found.lower_kpa - 10 <= 430.0 <= found.upper_kpa + 10


@pytest.mark.parametrize("length_s", [300.0, 21540.0])
def test_rests_that_are_all_alike_show_a_timer_or_a_visit_and_not_the_reset(length_s: float) -> None:
    """Twelve rests of one length, which end wherever the pressure has come to by then, far over the listed reset."""
    found = reset([length_s] * 12, [500.0] * 12, listed_kpa=280.0)
    assert found is None or found.kpa < 450.0
