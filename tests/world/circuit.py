"""How one circuit runs: suction by a balance of valve, compressor and coil; head by fans, wind and control."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .fleet import Circuit
from .saturation import BUBBLE, DEW, ln_kpa

Floats = NDArray[np.float64]
HEAD_GRID_C = np.arange(-45.0, 80.0, 1.0)
TRIP_SCALE = 0.045  # scatter of ln(lowest suction) from start to start [-]
LEAST_CHANCE = 0.09  # rarer trips do not happen: the scatter has an end
COIL_LOAD = 0.85


@dataclass(frozen=True)
class Condition:
    """What is wrong with a circuit at one time; severities 0..1, 0 is sound."""

    control_fitted: str = "none"
    control_out: bool = False
    baffled: bool = False  # a wind baffle that came with a retrofit
    jumper: bool = False
    charge: float = 0.0
    metering: float = 0.0
    dirt: float = 0.0
    fan_out: bool = False
    airflow: float = 0.0
    compressor: float = 0.0
    economizer_idle: bool = False
    held_off_below_c: float | None = None
    controls: bool = False

    @property
    def without_faults(self) -> "Condition":
        """The same head-pressure control with nothing else wrong: what cold alone would do."""
        return replace(self, charge=0.0, metering=0.0, airflow=0.0, compressor=0.0, fan_out=False, dirt=0.0)

    @property
    def with_sound_head(self) -> "Condition":
        """The same unit with a head-pressure control that works (fitted where there was none)."""
        if self.control_fitted in {"none", "fan staging by ambient"}:
            return replace(self, control_fitted="fan speed", baffled=True, control_out=False)
        return replace(self, control_out=False)


def suction_curve(circuit: Circuit, condition: Condition) -> Floats:
    """ln of steady suction pressure [kPa] on HEAD_GRID_C: the valve passes what the compressor draws."""
    bubble, dew = BUBBLE[circuit.refrigerant], DEW[circuit.refrigerant]
    head = np.exp(ln_kpa(bubble, HEAD_GRID_C))
    design_head = np.exp(ln_kpa(bubble, 46.0))
    design_suction = np.exp(ln_kpa(dew, circuit.design_evaporating_c))
    opening: Floats = (
        np.full_like(HEAD_GRID_C, circuit.oversize) * (1 - condition.metering) * (1 - 0.75 * condition.charge)
    )
    if circuit.valve == "orifice":  # colder liquid is denser and flashes less
        opening = opening * (1 + 0.22 * np.clip((46.0 - HEAD_GRID_C) / 46.0, 0, 1.2))
    low = np.full_like(HEAD_GRID_C, circuit.space_c - 62.0)
    high = np.full_like(HEAD_GRID_C, circuit.space_c)
    ratio_design = design_head / design_suction
    for _ in range(16):
        mid = 0.5 * (low + high)
        suction = np.exp(ln_kpa(dew, mid))
        drawn = (1 - 0.5 * condition.compressor) * suction / design_suction
        drawn = drawn * np.clip(1 - 0.035 * (head / suction - ratio_design), 0.25, 1.12)
        passed = opening * np.sqrt(np.maximum(head - suction, 1.0) / (design_head - design_suction))
        boiled = (
            (1 - 0.65 * condition.airflow) * (circuit.space_c - mid) / (circuit.space_c - circuit.design_evaporating_c)
        )
        too_high = drawn > np.minimum(passed, boiled)
        high = np.where(too_high, mid, high)
        low = np.where(too_high, low, mid)
    return np.asarray(ln_kpa(dew, 0.5 * (low + high)))


def lowest_head_c(circuit: Circuit, condition: Condition, outdoor_c: Floats, wind_m_s: Floats) -> Floats:
    """Lowest condensing (bubble) temperature of an hour's running [°C]."""
    over = circuit.condenser_over_k * COIL_LOAD * (1 + 0.9 * condition.dirt)
    wind_share = 0.008 if circuit.baffle or condition.baffled else 0.024
    still = circuit.still_air + wind_share * np.maximum(wind_m_s - 1.0, 0)
    share = 1.0 if not condition.fan_out else (1 - 1 / circuit.fans if circuit.fans > 1 else circuit.still_air)
    free = outdoor_c + over * np.maximum(share, np.minimum(still, 1.0)) ** -0.6
    control = condition.control_fitted
    if control == "none" or condition.control_out:
        return np.asarray(free)
    fans_off = outdoor_c + over * np.minimum(still, 1.0) ** -0.6
    if control == "fan cycling":
        held = np.where(fans_off >= circuit.fan_on_c, circuit.fan_off_c - 1.0, np.minimum(fans_off, circuit.fan_on_c))
        return np.asarray(np.where(free >= circuit.fan_off_c, free, held))
    if control == "fan staging by ambient":
        part = np.where(outdoor_c < 16, max(1 / circuit.fans, 0.34), share)
        return np.asarray(outdoor_c + over * np.maximum(part, np.minimum(still, 1.0)) ** -0.6)
    if control == "flooded":
        hold = circuit.hold_c * (1 - 0.9 * condition.charge) - np.maximum(0, -18.0 - outdoor_c)
        return np.asarray(np.maximum(free, hold))
    least = {"fan speed": 1.2, "dampers": 1.8, "floating": 1.2}[control]
    reach = outdoor_c + over * np.minimum(least * still, 1.0) ** -0.6
    return np.asarray(np.maximum(free, np.minimum(circuit.hold_c, reach)))


def head_is_held(condition: Condition) -> bool:
    """True where a control works that lets a start build up head."""
    return condition.control_fitted not in {"none", "fan staging by ambient"} and not condition.control_out


def trip_chance(
    circuit: Circuit,
    condition: Condition,
    curve: Floats,
    outdoor_c: Floats,
    wind_m_s: Floats,
    demand: NDArray[np.floating[Any]],
) -> Floats:
    """Chance that suction touches the cut-out at least once in an hour [-]."""
    if condition.jumper:
        return np.zeros_like(outdoor_c)
    head = lowest_head_c(circuit, condition, outdoor_c, wind_m_s)
    dip = 1 - (1 - circuit.start_dip) * (0.3 if head_is_held(condition) else 1.0)
    lowest = np.interp(head, HEAD_GRID_C, curve) + np.log(dip)
    chance = 1 / (1 + np.exp(np.clip((lowest - np.log(circuit.cut_out_kpa)) / TRIP_SCALE, -40, 40)))
    chance = np.maximum(0.0, (chance - LEAST_CHANCE) / (1 - LEAST_CHANCE))
    return np.asarray(chance * np.minimum(1.0, 1.6 * demand))


def standing_c(circuit: Circuit, outdoor_c: Floats) -> Floats:
    """Temperature of the coldest liquid at rest [°C]: the outdoor coil, or a colder box."""
    return np.asarray(np.minimum(outdoor_c + circuit.coil_bias_k, circuit.space_c))


def starve_ambient_c(circuit: Circuit, condition: Condition, wind_m_s: float = 2.0) -> float:
    """Outdoor temperature [°C] below which a start trips at least every second hour, in a wind."""
    air = np.arange(-45.0, 30.0, 0.5)
    curve = suction_curve(circuit, condition)
    chance = trip_chance(circuit, condition, curve, air, np.full_like(air, wind_m_s), np.ones_like(air))
    bad = air[chance > 0.5]
    return float(bad.max()) if len(bad) else -45.0


def settle(circuit: Circuit) -> None:
    """No maker sells a circuit that trips in mild weather, nor a control that does not take it below freezing."""
    limit = -8.0 if circuit.head_control == "fan staging by ambient" else -14.0
    for _ in range(25):
        bare = starve_ambient_c(circuit, Condition())
        fitted = starve_ambient_c(circuit, Condition(control_fitted=circuit.head_control), 6.0)
        if bare <= 9.0 and (circuit.head_control == "none" or fitted <= limit):
            return
        circuit.oversize *= 1.04
        circuit.start_dip = min(0.96, circuit.start_dip + 0.015)
        circuit.baffle = circuit.baffle or fitted > limit
