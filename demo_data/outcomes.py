"""What a cold start leads to, tabulated over outdoor temperature, wind and faults, from the circuit model itself.

Four years of every unit at ten seconds would take hours; a start of 25 minutes from rest, at each of some outdoor
temperatures, takes seconds and tells what the hourly model needs: how far suction stays above the low-pressure
cut-out, how far head pressure stays under the high-pressure cut-out, and how much is cooled.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import circuit as physics
import numpy as np
from circuit import Around, Array, Circuits, Condition, Lanes

OUTDOOR_C = np.concatenate([np.arange(-45.0, -20.0, 5.0), np.arange(-20.0, 20.0, 2.5), np.arange(20.0, 51.0, 5.0)])
WIND_M_S = np.array([1.0, 9.0])
STEP_S = 10.0
STEPS = 150
LEFT_INDOORS_S = 7.0  # liquid, in seconds of rated flow, left in the evaporator by an ordinary stop
SEVERE = {"charge": 0.5, "metering": 0.5, "airflow": 0.4, "coil": 0.45}
FAULTS = ("sound", *SEVERE)
BLOCK = 9000  # lanes that stay in the processor's cache


@dataclass(frozen=True)
class Outcomes:
    """Margins in kPa and cooling in rated flows; arrays (head mode, fault, wind, outdoor, lane)."""

    lp_margin_kpa: Array
    hp_margin_kpa: Array
    cooling: Array

    def take(self, lanes: Lanes) -> Outcomes:
        """The tables of chosen lanes."""
        return Outcomes(*(table[..., lanes] for table in (self.lp_margin_kpa, self.hp_margin_kpa, self.cooling)))

    def folded(self, condition: Condition, lanes: Lanes) -> Array:
        """Margins and cooling of some lanes in their present condition, faults added up by their severity;
        (lanes, wind, outdoor, 3)."""
        severity = np.ones((lanes.size, len(FAULTS)))
        for number, (name, worst) in enumerate(SEVERE.items(), start=1):
            severity[:, number] = (1.0 - getattr(condition, name)[lanes]) / (1.0 - worst)
        head = condition.head[lanes]
        out = np.empty((lanes.size, WIND_M_S.size, OUTDOOR_C.size, 3))
        for number, table in enumerate((self.lp_margin_kpa, self.hp_margin_kpa, self.cooling)):
            value = table[head, ..., lanes]
            value[:, 1:] -= value[:, :1]
            out[..., number] = np.einsum("lf,lfwa->lwa", severity, value)
        return out


def look_up(curves: Array, lanes: Lanes, outdoor_c: Array, wind_m_s: Array) -> tuple[Array, Array, Array]:
    """LP margin and HP margin (kPa) and cooling of some lanes of folded tables; weather (lanes,)."""
    at = np.interp(outdoor_c, OUTDOOR_C, np.arange(OUTDOOR_C.size))
    low = np.minimum(at.astype(np.intp), OUTDOOR_C.size - 2)
    warm = (at - low)[:, None]
    windy = np.minimum(np.maximum((wind_m_s - WIND_M_S[0]) / (WIND_M_S[1] - WIND_M_S[0]), 0.0), 1.0)[:, None]
    by_wind = [curves[lanes, w, low] * (1.0 - warm) + curves[lanes, w, low + 1] * warm for w in (0, 1)]
    value = by_wind[0] * (1.0 - windy) + by_wind[1] * windy
    return value[:, 0], value[:, 1], value[:, 2]


def cold_start(c: Circuits, condition: Condition, around: Around) -> tuple[Array, Array, Array]:
    """A start with the switches out of action, after a stop that left some liquid indoors.

    Gives least suction after the start delay over the cut-out, most head pressure under the cut-out (both kPa), and
    mean cooling over the last five minutes.
    """
    free = replace(
        condition, lp_jumpered=np.ones_like(condition.lp_jumpered), hp_jumpered=np.ones_like(condition.hp_jumpered)
    )
    state = physics.at_rest(c, free, around.standing_c)
    state.low_liquid_s += LEFT_INDOORS_S
    state.high_liquid_s = np.maximum(state.high_liquid_s - LEFT_INDOORS_S, 0.5)
    lanes = state.suction_kpa.size
    least, most, cooling = np.full(lanes, np.inf), np.zeros(lanes), np.zeros(lanes)
    for number in range(STEPS):
        flows = physics.step(c, free, state, around, STEP_S)
        sensed = np.where(c.lp_at_liquid, state.head_kpa, state.suction_kpa)
        counts = state.running & (state.run_s >= c.lp_delay_s)
        least = np.where(counts, np.minimum(least, sensed), least)
        if number >= STEPS - 60:
            most = np.maximum(most, state.head_kpa)
        if number >= STEPS - 30:
            cooling += flows.vapour / 30.0
    return least - c.lp_out_kpa, c.hp_out_kpa - most, cooling


CASES = [(head, fault) for head in (physics.WORKING, physics.FANS_ALWAYS_ON) for fault in range(len(FAULTS))]
CASES.append((physics.FANS_STUCK_OFF, 0))


def sound_margins(c: Circuits, air_c: Array, offset_k: Array) -> Array:
    """LP margin of sound circuits with their head-pressure control working, (outdoor, lane), kPa, in little wind."""
    return _starts(c, air_c, offset_k, [(physics.WORKING, 0)])[0][0, 0]


def tabulate(c: Circuits, air_c: Array, offset_k: Array) -> Outcomes:
    """Cold starts of every lane over the whole grid."""
    shape = (3, len(FAULTS), WIND_M_S.size, OUTDOOR_C.size, air_c.size)
    tables = [np.zeros(shape) for _ in range(3)]
    for table, values in zip(tables, _starts(c, air_c, offset_k, CASES), strict=True):
        for (head, fault), value in zip(CASES, values, strict=True):
            table[head, fault] = value
        table[physics.FANS_STUCK_OFF, 1:] = table[physics.FANS_STUCK_OFF, 0]
    return Outcomes(*tables)


def _starts(c: Circuits, air_c: Array, offset_k: Array, cases: list[tuple[int, int]]) -> list[Array]:
    """Cold starts for pairs of head mode and fault; three arrays (case, wind, outdoor, lane)."""
    shape = (len(cases), WIND_M_S.size, OUTDOOR_C.size, air_c.size)
    case, wind, outdoor, lane = np.indices(shape).reshape(4, -1)
    heads, faults = np.array(cases).T
    out = [np.zeros(shape) for _ in range(3)]
    flat = [table.reshape(-1) for table in out]
    for begin in range(0, lane.size, BLOCK):
        part = slice(begin, min(begin + BLOCK, lane.size))
        chosen, count = lane[part], lane[part].size
        block = physics.take(c, chosen)
        block.sister, block.shared_fans = np.arange(count), np.zeros(count, dtype=bool)
        condition = physics.sound(count)
        condition.head[:] = heads[case[part]]
        for number, (name, worst) in enumerate(SEVERE.items(), start=1):
            setattr(condition, name, np.where(faults[case[part]] == number, worst, 1.0))
        air, air_out = air_c[chosen], OUTDOOR_C[outdoor[part]]
        standing = np.minimum(air_out + offset_k[chosen], np.maximum(air, air_out))
        around = Around(air_out, standing, WIND_M_S[wind[part]], air, np.ones(count, dtype=bool))
        for table, value in zip(flat, cold_start(block, condition, around), strict=True):
            table[part] = value
    return out
