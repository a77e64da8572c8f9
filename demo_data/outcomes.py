"""What a cold start leads to, tabulated over outdoor temperature, wind and faults, from the circuit model itself.

Four years of every unit at ten seconds would take hours; a start of 25 minutes from rest, at each of some outdoor
temperatures, takes seconds and tells what the hourly model needs: how far suction stays above the low-pressure
cut-out, how far head pressure stays under the high-pressure cut-out, and how much is cooled.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

import circuit as physics
from circuit import Around, Array, Circuits, Condition, Lanes

OUTDOOR_C = np.concatenate([np.arange(-45.0, -20.0, 5.0), np.arange(-20.0, 20.0, 2.5), np.arange(20.0, 51.0, 5.0)])
WIND_M_S = np.array([1.0, 9.0])
STEP_S = 10.0
STEPS = 150
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

    def at(
        self, condition: Condition, outdoor_c: Array, wind_m_s: Array, lanes: Lanes, column: Lanes | None = None
    ) -> tuple[Array, Array, Array]:
        """LP margin, HP margin and cooling of some lanes now, faults added up by their severity.

        `lanes` index the condition and the weather, `column` the tables (the same lanes unless given).
        """
        column = lanes if column is None else column
        outdoor, head = outdoor_c[lanes], condition.head[lanes]
        at = np.interp(outdoor, OUTDOOR_C, np.arange(OUTDOOR_C.size))
        low = np.minimum(at.astype(np.intp), OUTDOOR_C.size - 2)
        warm = (at - low)[:, None]
        windy = np.clip((wind_m_s[lanes] - WIND_M_S[0]) / (WIND_M_S[1] - WIND_M_S[0]), 0.0, 1.0)[:, None]
        severity = np.ones((lanes.size, len(FAULTS)))
        for number, (name, worst) in enumerate(SEVERE.items(), start=1):
            severity[:, number] = (1.0 - getattr(condition, name)[lanes]) / (1.0 - worst)
        out = []
        for table in (self.lp_margin_kpa, self.hp_margin_kpa, self.cooling):
            by_wind = [
                table[head, :, w, low, column] * (1 - warm) + table[head, :, w, low + 1, column] * warm for w in (0, 1)
            ]
            value = by_wind[0] * (1 - windy) + by_wind[1] * windy
            value[:, 1:] -= value[:, :1]
            out.append((severity * value).sum(axis=1))
        return out[0], out[1], out[2]


def cold_start(c: Circuits, condition: Condition, around: Around) -> tuple[Array, Array, Array]:
    """A start from long rest with the switches out of action: least suction after the start delay over the
    cut-out, most head pressure under the cut-out (both kPa), and mean cooling over the last five minutes."""
    free = replace(condition, lp_jumpered=np.ones_like(condition.lp_jumpered), hp_jumpered=np.ones_like(condition.hp_jumpered))
    state = physics.at_rest(c, free, around.standing_c)
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


def sound_margins(c: Circuits, air_c: Array, offset_k: Array) -> Array:
    """LP margin of sound circuits with their head-pressure control working, (outdoor, lane), kPa, in little wind."""
    shape = (WIND_M_S.size, OUTDOOR_C.size, air_c.size)
    tables = [np.zeros(shape) for _ in range(3)]
    _fill(c, air_c, offset_k, physics.WORKING, "sound", tables)
    return tables[0][0]


def tabulate(c: Circuits, air_c: Array, offset_k: Array) -> Outcomes:
    """Cold starts of every lane over the whole grid."""
    lanes = air_c.size
    shape = (3, len(FAULTS), WIND_M_S.size, OUTDOOR_C.size, lanes)
    tables = [np.zeros(shape) for _ in range(3)]
    for head in (physics.WORKING, physics.FANS_ALWAYS_ON, physics.FANS_STUCK_OFF):
        for fault, name in enumerate(FAULTS):
            if head == physics.FANS_STUCK_OFF and name != "sound":
                for table in tables:
                    table[head, fault] = table[head, 0]
                continue
            _fill(c, air_c, offset_k, head, name, [table[head, fault] for table in tables])
    return Outcomes(*tables)


def _fill(c: Circuits, air_c: Array, offset_k: Array, head: int, fault: str, tables: list[Array]) -> None:
    """One head mode and one fault, over wind and outdoor temperature."""
    lanes = air_c.size
    grid = np.stack(np.meshgrid(np.arange(WIND_M_S.size), np.arange(OUTDOOR_C.size), np.arange(lanes), indexing="ij"))
    wind, outdoor, lane = grid.reshape(3, -1)
    flat = [table.reshape(-1) for table in tables]
    for begin in range(0, lane.size, BLOCK):
        part = slice(begin, min(begin + BLOCK, lane.size))
        chosen = lane[part]
        block = physics.take(c, chosen)
        block.sister = np.arange(chosen.size)
        block.shared_fans = np.zeros(chosen.size, dtype=bool)
        condition = physics.sound(chosen.size)
        condition.head[:] = head
        if fault != "sound":
            setattr(condition, fault, np.full(chosen.size, SEVERE[fault]))
        air, out = air_c[chosen], OUTDOOR_C[outdoor[part]]
        around = Around(out, np.minimum(out + offset_k[chosen], np.maximum(air, out)), WIND_M_S[wind[part]], air, np.ones(chosen.size, dtype=bool))
        for table, value in zip(flat, cold_start(block, condition, around), strict=True):
            table[part] = value
