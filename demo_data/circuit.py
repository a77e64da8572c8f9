"""One refrigerant circuit in the cold, a few seconds at a time, for many circuits at once.

A lumped model. Mass flows are in units of the circuit's rated flow, liquid inventories in seconds of rated flow,
pressures in absolute kPa, temperatures in °C. Each lane of the arrays is one circuit.

Running: the compressor draws from the low side, the metering device lets liquid in (square root of the pressure
difference, less when the liquid line carries flash gas), the evaporator boils what it has, the condenser rejects to
the outdoor air through whatever fans run. When head pressure falls the valve passes less, the evaporator starves
and suction falls to the low-pressure (LP) switch. Stopped: both sides settle toward the bubble pressure of the
coldest place that holds liquid; until the liquid left indoors has moved out, the low side is held up.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray
from refrigerants import Saturation

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Lanes = NDArray[np.intp]

LOW_SIDE_S = 40.0  # time constants of the two vapour spaces at rated flow
HIGH_SIDE_S = 150.0
COIL_COOLS_S = 200.0  # a stopped condenser comes down to the outdoor temperature
SPREAD_LIQUID_S = 20.0  # evaporator liquid at which half its surface is wet
SET_LIQUID_S = 60.0  # evaporator liquid that a thermostatic valve aims at
SUBCOOLING_LIQUID_S = 60.0  # condenser liquid that gives full subcooling
FLOODING_LIQUID_S = 140.0  # condenser liquid above which it covers working surface
FLOODED_SPAN_S = 260.0
RATED_WETNESS = SET_LIQUID_S / (SET_LIQUID_S + SPREAD_LIQUID_S)
CONDENSER_LIMIT = 2.5  # most that a condenser takes, in rated flows, when it is far colder than its vapour
TRIP_MEMORY_S = 3600.0  # trips that a board counts toward a lockout
STILL_AIR_SHARE = 0.05  # of a condenser's conductance, with no fan and no wind
WIND_SHARE_PER_M_S = 0.018
FAN_EXPONENT = 0.95  # conductance against the share of fans: air also slips back through those that stand still
LIFT_KPA = 15.0  # pressure difference that moves no liquid through the metering device

# How a control treats its fans ...
ALL_ON, CYCLING, STAGED, SPEED, FLOODED, FLOATING, DAMPERS = range(7)
HEAD_CODES = {
    "none": ALL_ON,
    "fan cycling": CYCLING,
    "fan staging by ambient": STAGED,
    "fan speed": SPEED,
    "flooded": FLOODED,
    "floating": FLOATING,
    "dampers": DAMPERS,
}
# ... and what has become of that control.
WORKING, FANS_ALWAYS_ON, FANS_STUCK_OFF = range(3)

Record = TypeVar("Record")


def within(values: Array, low: Array | float, high: Array | float) -> Array:
    """`np.clip` without its overhead, which would be a fifth of the run."""
    return np.minimum(np.maximum(values, low), high)


def take(record: Record, lanes: Lanes) -> Record:
    """The same record with only the chosen lanes of every array in it (copies)."""
    picked = {}
    for field in fields(record):  # type: ignore[arg-type]
        value = getattr(record, field.name)
        picked[field.name] = value.take(lanes) if isinstance(value, Saturation) else value[lanes]
    return replace(record, **picked)  # type: ignore[type-var]


@dataclass
class Circuits:
    """What a circuit is built of; arrays (lanes,)."""

    sat: Saturation
    evap_kpa: Array  # rated low side
    cond_kpa: Array  # rated high side
    evap_td_k: Array  # rated air-on minus evaporating
    cond_td_k: Array  # rated condensing minus outdoor
    valve_feed: Array  # metering device at rated pressure difference, in rated flows
    thermostatic: Flags  # TXV; otherwise a fixed orifice
    charge_s: Array
    settle_s: Array  # time constant of liquid leaving the indoor coil
    equalise_s: Array
    indoor_hold: Array  # how far liquid left indoors holds the low side up
    fans: Array
    always_fans: Array  # of them, not under the head-pressure control
    head: Lanes  # HEAD_CODES
    fan_on_kpa: Array
    fan_off_kpa: Array
    hold_low_c: Array  # condensing band of a modulating control
    hold_high_c: Array
    least_speed: Array
    stage_c: Array  # outdoor temperature under which staged fans drop to one
    exposure: Array  # to wind, 1 = open roof
    shared_fans: Flags
    sister: Lanes  # lane of the other circuit of the unit, or itself
    lp_out_kpa: Array
    lp_reset_kpa: Array
    lp_at_liquid: Flags
    lp_delay_s: Array
    starts_open: Flags  # a winter-start kit: starts although the LP switch is open
    anti_recycle_s: Array
    trips_to_latch: Array  # 0 never, 1 manual reset, 3 boards
    clears_on_call: Flags  # a latched board forgets when the thermostat lets go
    hp_out_kpa: Array
    hp_reset_kpa: Array
    pump_down: Flags


@dataclass
class Condition:
    """What has become of it; arrays (lanes,). Shares are of the sound value."""

    head: Lanes  # WORKING, FANS_ALWAYS_ON, FANS_STUCK_OFF
    fans_out: Array
    charge: Array
    metering: Array
    coil: Array  # clean share of the condenser
    airflow: Array
    compressor: Array
    lp_jumpered: Flags
    hp_jumpered: Flags


@dataclass
class State:
    """Where it stands now; arrays (lanes,)."""

    suction_kpa: Array
    head_kpa: Array
    high_liquid_s: Array
    low_liquid_s: Array
    unflooded: Array
    fans_high: Flags  # cycled fans are on
    fan_share: Array
    running: Flags
    run_s: Array
    off_s: Array
    wait_s: Array  # left of the anti-recycle time
    lp_open: Flags
    hp_open: Flags
    latched: Flags
    trips: Array
    trip_clock_s: Array


class Around(NamedTuple):
    """Surroundings of each lane: outdoor air, the place it settles to, wind, air onto the evaporator, and the call."""

    outdoor_c: Array
    standing_c: Array
    wind_m_s: Array
    air_c: Array
    wanted: Flags


class Flows(NamedTuple):
    """What passes during a step; vapour in rated flows."""

    evaporating_c: Array
    condensing_c: Array
    vapour: Array
    wetness: Array
    lp_trip: Flags
    hp_trip: Flags
    started: Flags


def sound(lanes: int) -> Condition:
    """Nothing wrong."""
    one, no = np.ones(lanes), np.zeros(lanes, dtype=bool)
    return Condition(
        np.zeros(lanes, dtype=np.intp),
        np.zeros(lanes),
        one,
        one.copy(),
        one.copy(),
        one.copy(),
        one.copy(),
        no,
        no.copy(),
    )


def at_rest(c: Circuits, condition: Condition, standing_c: Array) -> State:
    """Stopped for long: all liquid outdoors, both sides at the bubble pressure of the cold place."""
    kpa = c.sat.bubble_kpa(standing_c)
    lanes = kpa.size
    no, zero = np.zeros(lanes, dtype=bool), np.zeros(lanes)
    return State(
        suction_kpa=kpa,
        head_kpa=kpa.copy(),
        high_liquid_s=c.charge_s * condition.charge - 3.0,
        low_liquid_s=np.full(lanes, 3.0),
        unflooded=np.ones(lanes),
        fans_high=no.copy(),
        fan_share=zero.copy(),
        running=no.copy(),
        run_s=zero.copy(),
        off_s=np.full(lanes, 7200.0),
        wait_s=zero.copy(),
        lp_open=kpa < c.lp_out_kpa,
        hp_open=no.copy(),
        latched=no.copy(),
        trips=zero.copy(),
        trip_clock_s=zero.copy(),
    )


def fan_share(c: Circuits, condition: Condition, s: State, condensing_c: Array, outdoor_c: Array) -> Array:
    """Share of full fan power that the control asks for and the fans can give, 0-1; updates `fans_high`."""
    s.fans_high &= s.head_kpa > c.fan_off_kpa
    s.fans_high |= s.head_kpa >= c.fan_on_kpa
    fixed = c.always_fans / c.fans
    share = np.where(c.head == CYCLING, np.where(s.fans_high, 1.0, fixed), 1.0)
    modulated = (c.head == SPEED) | (c.head == FLOATING) | (c.head == DAMPERS)
    speed = within((condensing_c - c.hold_low_c) / (c.hold_high_c - c.hold_low_c), c.least_speed, 1.0)
    share = np.where(modulated, speed, share)
    share = np.where((c.head == STAGED) & (outdoor_c < c.stage_c), 1.0 / c.fans, share)
    share = np.where(condition.head == FANS_ALWAYS_ON, 1.0, share)
    share = np.where(condition.head == FANS_STUCK_OFF, fixed, share)
    share = np.minimum(share, 1.0 - condition.fans_out / c.fans)
    share = share * s.running
    return np.where(c.shared_fans, np.maximum(share, share[c.sister]), share)


def condenser_conductance(c: Circuits, condition: Condition, s: State, wind_m_s: Array) -> Array:
    """Conductance against its rated value: fans, wind when they stand still, dirt, and surface under liquid."""
    still = STILL_AIR_SHARE + WIND_SHARE_PER_M_S * wind_m_s * c.exposure
    still = np.minimum(still, 0.35)
    air = still + (1.0 - still) * s.fan_share**FAN_EXPONENT
    covered = within((s.high_liquid_s - FLOODING_LIQUID_S) / FLOODED_SPAN_S, 0.0, 0.8)
    return air * condition.coil * np.minimum(s.unflooded, 1.0 - covered)


def volumetric(pressure_ratio: Array) -> Array:
    """Volumetric efficiency [-], a straight line typical of a scroll."""
    return within(1.05 - 0.05 * pressure_ratio, 0.3, 1.02)


def _flood(c: Circuits, condition: Condition, s: State, condensing_c: Array, dt_s: float) -> None:
    """A flooding valve backs liquid into the condenser until it condenses at the set temperature, if charge allows."""
    flooded = (c.head == FLOODED) & (condition.head == WORKING)
    least = 1.0 - 0.92 * within((condition.charge - 0.55) / 0.4, 0.0, 1.0)
    moved = within(s.unflooded + dt_s * 0.0015 * (condensing_c - c.hold_low_c), least, 1.0)
    s.unflooded = np.where(flooded, moved, 1.0)


def _between(before: Array, after: Array, mark: Array, moving: Flags) -> Array:
    """Stops a pressure at a switch's setting within the step in which it crosses it (the event ends the step)."""
    falling = moving & (before > mark) & (after < mark)
    return np.where(falling, mark, after)


def step(c: Circuits, condition: Condition, s: State, around: Around, dt_s: float) -> Flows:
    """Advances every lane by `dt_s` (5-15 s); changes `s` in place."""
    evaporating_c, condensing_c = c.sat.both_c(s.suction_kpa, s.head_kpa)
    s.fan_share = fan_share(c, condition, s, condensing_c, around.outdoor_c)
    _flood(c, condition, s, condensing_c, dt_s)
    on = s.running
    solenoid = ~c.pump_down | around.wanted

    # Metering device: its pull, its opening, and whether liquid reaches it.
    pull = np.sqrt(np.maximum(s.head_kpa - s.suction_kpa - LIFT_KPA, 0.0) / (c.cond_kpa - c.evap_kpa))
    opening = within((1.25 * SET_LIQUID_S - s.low_liquid_s) / (0.5 * SET_LIQUID_S), 0.1, 1.0)
    opening = np.where(on, np.where(c.thermostatic, opening, 1.0), np.where(c.thermostatic, 0.05, 0.35)) * solenoid
    liquid = s.high_liquid_s / (s.high_liquid_s + 8.0)
    valve = c.valve_feed * condition.metering * opening * pull * liquid
    valve = np.minimum(valve, 0.8 * s.high_liquid_s / dt_s)

    # Evaporator: boils what wets it.
    wetness = s.low_liquid_s / (s.low_liquid_s + SPREAD_LIQUID_S)
    boiling = np.maximum(around.air_c - evaporating_c, 0.0) / c.evap_td_k * condition.airflow * wetness / RATED_WETNESS
    vapour = np.minimum(boiling, s.low_liquid_s / dt_s + valve) * on

    # Compressor and condenser.
    ratio = s.head_kpa / s.suction_kpa
    rated_ratio = c.cond_kpa / c.evap_kpa
    pumped = on * condition.compressor * s.suction_kpa / c.evap_kpa * volumetric(ratio) / volumetric(rated_ratio)
    heat = 0.8 + 0.2 * ratio / rated_ratio
    conductance = condenser_conductance(c, condition, s, around.wind_m_s)
    condensed = within(conductance * (condensing_c - around.outdoor_c) / c.cond_td_k / heat, -0.2, CONDENSER_LIMIT)

    # Where a stopped circuit settles to: the coldest place, held up while liquid is left indoors.
    warm = around.air_c - around.standing_c
    held = np.where(warm > 0.0, c.indoor_hold * wetness, 1.0)
    low_c = around.standing_c + warm * held
    high_c = np.maximum(around.standing_c, np.minimum(low_c, around.standing_c + 30.0))
    low_kpa, high_kpa = c.sat.both_bubble_kpa(low_c, high_c)
    equalise_s = np.where(solenoid, c.equalise_s, 20.0 * c.equalise_s)

    suction = s.suction_kpa + np.where(
        on,
        dt_s / LOW_SIDE_S * c.evap_kpa * (vapour - pumped),
        (low_kpa - s.suction_kpa) * np.minimum(dt_s / equalise_s, 0.5),
    )
    head = s.head_kpa + np.where(
        on,
        dt_s / HIGH_SIDE_S * c.cond_kpa * (pumped - condensed),
        (high_kpa - s.head_kpa) * (dt_s / COIL_COOLS_S),
    )
    suction = _between(s.suction_kpa, suction, 0.998 * c.lp_out_kpa, on & ~c.lp_at_liquid)
    head = _between(s.head_kpa, head, 0.998 * c.fan_off_kpa, on & s.fans_high & (c.head == CYCLING))
    suction = np.maximum(suction, 25.0)
    head = np.maximum(head, np.where(on, suction * 1.02, 25.0))

    # Liquid: what the condenser makes, the valve passes, the evaporator boils; stopped, it moves to the cold.
    drift = np.where(warm > 0.0, s.low_liquid_s, -0.3 * s.high_liquid_s) * np.minimum(np.abs(warm) / 15.0, 2.0)
    drift = np.where(on, 0.0, drift * dt_s / c.settle_s * solenoid)
    total = c.charge_s * condition.charge
    s.low_liquid_s = within(s.low_liquid_s + dt_s * (valve - vapour) - drift, 0.5, 0.85 * total)
    s.high_liquid_s = np.maximum(total - s.low_liquid_s, 0.5)
    s.suction_kpa, s.head_kpa = suction, head
    lp_trip, hp_trip, started = _switches(c, condition, s, around.wanted, dt_s)
    return Flows(evaporating_c, condensing_c, vapour, wetness, lp_trip, hp_trip, started)


def _switches(c: Circuits, condition: Condition, s: State, wanted: Flags, dt_s: float) -> tuple[Flags, Flags, Flags]:
    """Opens and closes the switches, stops and starts the compressor, counts trips toward a lockout."""
    sensed = np.where(c.lp_at_liquid, s.head_kpa, s.suction_kpa)
    s.lp_open = (s.lp_open | (sensed < c.lp_out_kpa)) & (sensed < c.lp_reset_kpa)
    s.hp_open = (s.hp_open | (s.head_kpa > c.hp_out_kpa)) & (s.head_kpa > c.hp_reset_kpa)
    lp_acts = s.lp_open & ~condition.lp_jumpered
    hp_acts = s.hp_open & ~condition.hp_jumpered

    was_running = s.running
    lp_stop = was_running & lp_acts & (s.run_s >= c.lp_delay_s)
    hp_stop = was_running & hp_acts
    released = was_running & ~wanted & ~c.pump_down
    lp_trip = lp_stop & wanted
    tripped = lp_trip | hp_stop

    s.trip_clock_s = np.where(s.trips > 0, s.trip_clock_s + dt_s, 0.0)
    s.trips = np.where(s.trip_clock_s > TRIP_MEMORY_S, 0.0, s.trips) + tripped
    s.latched |= (c.trips_to_latch > 0) & (s.trips >= c.trips_to_latch)
    forget = c.clears_on_call & ~wanted
    s.latched &= ~forget
    s.trips = np.where(forget, 0.0, s.trips)

    stop = lp_stop | hp_stop | released
    s.wait_s = np.where(stop, c.anti_recycle_s, np.maximum(s.wait_s - dt_s, 0.0))
    may_start = wanted & ~was_running & ~hp_acts & ~s.latched & (s.wait_s <= 0.0)
    started = may_start & (~lp_acts | c.starts_open)
    s.running = (was_running & ~stop) | started
    s.run_s = np.where(s.running, np.where(started, 0.0, s.run_s + dt_s), 0.0)
    s.off_s = np.where(s.running, 0.0, s.off_s + dt_s)
    return lp_trip, hp_stop & ~lp_trip, started


def superheat_k(air_c: Array, evaporating_c: Array, wetness: Array) -> Array:
    """Superheat at the evaporator outlet, kelvin: a dry coil brings its vapour up to the air."""
    return np.maximum((air_c - evaporating_c) * (1.0 - wetness) * 1.15, 0.5)


def subcooling_k(condensing_c: Array, outdoor_c: Array, high_liquid_s: Array) -> Array:
    """Subcooling at the condenser outlet, kelvin: liquid standing in it approaches the outdoor air."""
    stand = within(high_liquid_s / SUBCOOLING_LIQUID_S, 0.0, 1.0)
    return 0.65 * np.maximum(condensing_c - outdoor_c, 0.0) * stand**1.5


def current_share(c: Circuits, s: State) -> Array:
    """Compressor current against its rated value [-]."""
    return s.running * (0.42 + 0.58 * s.head_kpa / c.cond_kpa)
