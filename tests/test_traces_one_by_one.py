"""What the traces work out for all changes and all runs at once, against loops that take them one by one."""

import numpy as np
import pytest
from scipy.signal import find_peaks

from lowambient.traces import fan_switching
from lowambient.traces.circuit import Array, Trace
from lowambient.traces.runs import KNEE_AFTER_S, KNEE_SHARE, KNEE_WITHIN_S, _sharpened, running

SAMPLES = 4000


def _states(rng: np.random.Generator, longest: int) -> Array:
    lengths = rng.integers(1, longest, SAMPLES)
    return np.repeat(np.arange(SAMPLES) % 2, lengths)[:SAMPLES].astype(np.float64)


def _one_knee(at_s: Array, ratio: Array, sign: float, between: tuple[int, int, int]) -> int:
    """The first sample of the fall about one edge, from the sorted readings before it."""
    before, edge, after = between
    begin = max(before + 1, int(np.searchsorted(at_s, at_s[edge] - KNEE_WITHIN_S)))
    end = min(after - 1, int(np.searchsorted(at_s, at_s[edge] + KNEE_AFTER_S, side="right")))
    if begin >= edge or end <= edge:
        return edge
    window = sign * ratio[begin : end + 1]
    lately = sorted(window[: edge - begin])
    level = lately[int(0.9 * (len(lately) - 1))]
    near = [place for place, value in enumerate(window) if value >= level - KNEE_SHARE * (level - min(window))]
    return begin + near[-1] + 1 if near and near[-1] < len(window) - 1 else edge


@pytest.mark.parametrize(("seed", "longest", "step_s"), [(1, 4, 10.0), (2, 30, 10.0), (3, 90, 10.0), (4, 12, 60.0)])
def test_changes_are_moved_as_one_by_one(seed: int, longest: int, step_s: float) -> None:
    rng = np.random.default_rng(seed)
    state, at_s = _states(rng, longest), 1.7e9 + step_s * np.arange(SAMPLES)
    ratio = np.convolve(state, np.full(7, 1 / 7), mode="same") + 0.1 * rng.standard_normal(SAMPLES)
    edges = np.flatnonzero(np.diff(state)) + 1
    expected, before = state.copy(), 0
    for edge, after in zip(edges.tolist(), [*edges[1:].tolist(), SAMPLES], strict=True):
        knee = _one_knee(at_s, ratio, -1.0 if state[edge] else 1.0, (before, edge, after))
        expected[min(knee, edge) : max(knee, edge)] = state[edge] if knee < edge else state[edge - 1]
        before = knee
    np.testing.assert_array_equal(_sharpened(at_s, ratio, state), expected)


@pytest.mark.parametrize("holes", [0, 300])
def test_turns_of_head_pressure_are_those_of_each_run(holes: int) -> None:
    rng = np.random.default_rng(holes)
    at_s, state = 1.7e9 + 10.0 * np.arange(SAMPLES), _states(rng, 700)
    head = 1500.0 + 200.0 * np.abs((np.arange(SAMPLES) / 25) % 2 - 1) + 3.0 * rng.standard_normal(SAMPLES)
    head[rng.choice(SAMPLES, holes, replace=False)] = np.nan
    missing = np.full(SAMPLES, np.nan)
    unread = ("compressor_a", "heating", "cooling_called", "liquid_solenoid_open")
    channels = {"compressor_on": state, "liquid_kpa": head, "suction_kpa": head / 3, **dict.fromkeys(unread, missing)}
    found = running(Trace(at_s, 10.0, channels, None))
    turns = fan_switching._turns(Trace(at_s, 10.0, channels, None), found, head, 3.0)
    peaks, troughs = [], []
    steady = np.isfinite(head) & (found.since_start_s >= fan_switching.STARTED_S)
    least = max(18.0, fan_switching.LEAST_SWING_SHARE * float(np.median(head[steady])))
    for first, last in zip(*found.runs, strict=True):
        begin = int(np.searchsorted(at_s, at_s[first] + fan_switching.STARTED_S))
        if at_s[last] - at_s[first] < fan_switching.SHORTEST_RUN_S or last - begin < 4:
            continue
        run = fan_switching._without_holes(head[begin : last + 1])
        up, down = (find_peaks(sign * run, prominence=least)[0] + begin for sign in (1, -1))
        down = down[down > up[0]] if len(up) else down[:0]
        peaks += up.tolist() if len(down) else []
        troughs += down.tolist()
    assert turns.peaks.tolist() == [each for each in peaks if np.isfinite(head[each])]
    assert turns.troughs.tolist() == [each for each in troughs if np.isfinite(head[each])]
    assert len(peaks) > 10
