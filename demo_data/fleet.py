"""Draws an invented fleet: sites, units, circuits, their settings, and what is already wrong with them."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, timedelta

import circuit as physics
import numpy as np
import outcomes
from circuit import Circuits, Condition
from refrigerants import Saturation, barometer_kpa, psig_to_kpa
from scenario import Options, Pick
from weather_blocks import STATIONS

# Common practice and unbranded manuals: LP cut-out and reset, psig; weights say how often each is met.
LP_SETTINGS = {
    "R-410A": [(54, 117, 5), (60, 90, 3), (50, 95, 2)],
    "R-32": [(55, 115, 1), (60, 95, 1)],
    "R-454B": [(52, 110, 1), (55, 88, 1)],
    "R-22": [(27, 44, 3), (25, 55, 1)],
    "R-407C": [(18, 36, 3), (25, 50, 1)],
    "R-134a": [(8, 22, 1), (12, 27, 1)],
    "R-513A": [(9, 24, 1)],
}
COLD_LP_SETTINGS = {  # walk-in coolers; freezers lie lower
    "R-404A": [(15, 35, 1), (20, 40, 1)],
    "R-507A": [(18, 38, 1)],
    "R-448A": [(12, 30, 1), (15, 35, 1)],
    "R-449A": [(13, 32, 1)],
    "R-407A": [(12, 30, 1)],
    "R-134a": [(5, 18, 1)],
    "R-22": [(12, 28, 1)],
}
FREEZER_LP = (2, 14)
HP_SETTINGS = {
    "R-410A": (645, 464),
    "R-32": (650, 475),
    "R-454B": (600, 430),
    "R-22": (405, 300),
    "R-407C": (425, 320),
    "R-134a": (265, 180),
    "R-513A": (280, 190),
    "R-404A": (440, 330),
    "R-507A": (450, 340),
    "R-448A": (430, 320),
    "R-449A": (430, 320),
    "R-407A": (425, 315),
    "R-290": (380, 280),
}

# Condensing temperatures at which a fan-cycling control closes and opens: factory (R-410A 418/240 psig) and field.
FACTORY_BAND_C = (47.8, 26.6)
FIELD_BAND_C = (46.2, 35.2)

USES = {  # duty, hours of use (local), load when in use, load else, load per kelvin outdoors, watched round the clock
    "server room": ("year-round", (0, 24), 0.62, 0.62, 0.004, 0.55),
    "telecom hut": ("year-round", (0, 24), 0.55, 0.55, 0.008, 0.35),
    "clinic": ("year-round", (6, 20), 0.55, 0.32, 0.010, 0.15),
    "imaging suite": ("year-round", (0, 24), 0.58, 0.48, 0.004, 0.35),
    "kitchen": ("year-round", (9, 23), 0.70, 0.10, 0.010, 0.05),
    "laundry": ("year-round", (5, 19), 0.72, 0.05, 0.012, 0.03),
    "office": ("comfort", (7, 18), 0.22, 0.05, 0.030, 0.0),
    "school": ("comfort", (7, 16), 0.20, 0.02, 0.030, 0.0),
    "shop": ("comfort", (9, 21), 0.28, 0.06, 0.028, 0.0),
    "walk-in cooler": ("refrigeration", (0, 24), 0.55, 0.42, 0.008, 0.2),
    "walk-in freezer": ("refrigeration", (0, 24), 0.60, 0.52, 0.006, 0.3),
}
SITE_KINDS = {  # kind -> weight, uses
    "Clinic": (16, ["clinic", "clinic", "imaging suite", "server room", "office"]),
    "Data Hall": (9, ["server room", "server room", "server room", "office"]),
    "Exchange": (8, ["telecom hut", "telecom hut", "server room"]),
    "Bakery": (8, ["kitchen", "kitchen", "walk-in cooler", "shop"]),
    "Laundry": (6, ["laundry", "laundry", "office"]),
    "School": (13, ["school", "school", "school", "kitchen", "server room"]),
    "Market": (13, ["shop", "shop", "walk-in cooler", "walk-in freezer", "walk-in cooler"]),
    "Offices": (14, ["office", "office", "office", "server room"]),
    "Inn": (7, ["office", "kitchen", "laundry", "walk-in cooler", "walk-in freezer"]),
}
HEAD_MIX = {
    "year-round": {
        "none": 30,
        "fan cycling": 42,
        "fan staging by ambient": 6,
        "fan speed": 12,
        "flooded": 3,
        "floating": 4,
        "dampers": 3,
    },
    "comfort": {"none": 72, "fan cycling": 18, "fan staging by ambient": 10},
    "refrigeration": {"none": 10, "fan cycling": 38, "flooded": 27, "fan speed": 15, "floating": 10},
}
COOLING_MIX = {"R-410A": 66, "R-22": 13, "R-407C": 7, "R-454B": 5, "R-32": 5, "R-134a": 3, "R-513A": 1}
COLD_MIX = {"R-404A": 45, "R-448A": 18, "R-134a": 15, "R-449A": 8, "R-507A": 7, "R-22": 7}


@dataclass
class Site:
    """A customer's site."""

    site_id: str
    name: str
    kind: str
    region: str
    latitude: float
    longitude: float
    elevation_m: float
    time_zone: str
    station_id: str


@dataclass
class Unit:
    """A unit as it is, and as the unit list has it (`listed`)."""

    unit_id: str
    site: Site
    use: str
    duty: str
    refrigerant: str
    capacity_kw: float
    circuits: int
    fans: int
    shared_fans: bool
    heat_pump: bool
    pump_down: bool
    head: str
    economizer: bool
    space_c: float
    coverage: str
    outage_cost_per_h: float
    installed_on: date
    retired_on: date | None
    served_from: date
    served_to: date | None
    watched: bool
    ambient_hold_c: float | None
    lanes: list[dict[str, object]]
    start: dict[str, object]  # conditions on the first day
    lp_nominal_psig: tuple[float, float]
    hp_nominal_psig: tuple[float, float]
    fan_nominal_kpa: tuple[float, float]
    listed: dict[str, object] = field(default_factory=dict)

    @property
    def barometer_kpa(self) -> float:
        """Local barometric pressure."""
        return float(barometer_kpa(self.site.elevation_m))


def draw_sites(rng: np.random.Generator, pick: Pick, options: Options, count: int) -> list[Site]:
    """Sites spread over the chosen climates; invented towns, positions near the weather stations."""
    kinds = {kind: weight for kind, (weight, _) in SITE_KINDS.items()}
    used: set[str] = set()
    sites = []
    for number in range(count):
        region = pick.weighted(rng, {r: w for r, w in options.climate_weights.items()})
        station = STATIONS[region]
        kind = pick.weighted(rng, kinds)
        name = pick.site_name(rng, kind, used)
        sites.append(
            Site(
                site_id=f"S{number + 101}",
                name=name,
                kind=kind,
                region=region,
                latitude=round(station.latitude + rng.normal(0, 0.15), 4),
                longitude=round(station.longitude + rng.normal(0, 0.2), 4),
                elevation_m=round(max(station.elevation_m + rng.normal(0, 25), 3.0), 0),
                time_zone=station.time_zone,
                station_id=station.station_id,
            )
        )
    return sites


def _refrigerant(rng: np.random.Generator, pick: Pick, options: Options, duty: str) -> str:
    mix = COLD_MIX if duty == "refrigeration" else COOLING_MIX
    if options.refrigerants:
        mix = {name: mix.get(name, 5) for name in options.refrigerants}
    return pick.weighted(rng, mix)


def _settings(rng: np.random.Generator, refrigerant: str, use: str) -> tuple[tuple[float, float], tuple[float, float]]:
    """Nominal LP and HP cut-out and reset, psig."""
    if use == "walk-in freezer":
        low: tuple[float, float] = FREEZER_LP
    else:
        table = COLD_LP_SETTINGS if use == "walk-in cooler" else LP_SETTINGS
        choices = table.get(refrigerant) or LP_SETTINGS.get(refrigerant) or COLD_LP_SETTINGS[refrigerant]
        weights = np.array([c[2] for c in choices], dtype=float)
        low = choices[int(rng.choice(len(choices), p=weights / weights.sum()))][:2]
    return low, HP_SETTINGS[refrigerant]


def _circuit(
    rng: np.random.Generator, unit: dict[str, object], settings: tuple, fan_band_c: tuple
) -> dict[str, object]:
    """One circuit's parameters, with the tolerance of each switch."""
    (lp_out, lp_reset), (hp_out, hp_reset) = settings
    use, head = unit["use"], unit["head"]
    sat = Saturation.of([str(unit["refrigerant"])])
    barometer = float(unit["barometer"])  # type: ignore[arg-type]
    evap_c, evap_td = {"walk-in cooler": (-6.0, 9.0), "walk-in freezer": (-28.0, 8.0)}.get(str(use), (7.0, 18.0))
    evap_c += rng.normal(0, 0.8)
    cond_td = float(np.clip(rng.normal(13.0, 3.0), 8.0, 21.0))
    txv = bool(rng.random() < (0.95 if unit["duty"] == "refrigeration" else 0.6))
    fans = int(unit["fans"])  # type: ignore[call-overload]
    floating = head == "floating"
    band = {
        "fan speed": (rng.uniform(26, 31), rng.uniform(38, 42)),
        "floating": (rng.uniform(13, 17), rng.uniform(22, 26)),
        "flooded": (rng.uniform(30, 36), 60.0),
        "dampers": (rng.uniform(24, 30), rng.uniform(36, 42)),
    }.get(str(head), (30.0, 40.0))
    on_kpa, off_kpa = (float(sat.bubble_kpa(np.array([c]))[0]) for c in fan_band_c)
    # A low-ambient package brings its start delay along; a plain unit often has none.
    share = [0.32, 0.12, 0.16, 0.1, 0.12, 0.1, 0.08] if head == "none" else [0.06, 0.08, 0.12, 0.16, 0.2, 0.22, 0.16]
    delay = float(rng.choice([0, 30, 60, 90, 120, 180, 300], p=share))
    board = rng.choice([0, 3, 1], p=[0.5, 0.42, 0.08] if unit["duty"] != "refrigeration" else [0.72, 0.1, 0.18])
    at_liquid = bool(unit["heat_pump"]) and rng.random() < 0.5
    charge = rng.normal(165, 12) + (110 if head == "flooded" else 0)
    return {
        "evap_kpa": float(sat.dew_kpa(np.array([evap_c]))[0]),
        "cond_kpa": float(sat.bubble_kpa(np.array([35.0 + cond_td]))[0]),
        "evap_td_k": evap_td * rng.uniform(0.9, 1.1),
        "cond_td_k": cond_td,
        "valve_feed": rng.uniform(1.0, 1.4) * (1.5 if floating else 1.0) if txv else rng.uniform(0.84, 1.02),
        "thermostatic": txv,
        "charge_s": charge,
        "settle_s": float(np.exp(rng.normal(np.log(2400), 0.6))),
        "equalise_s": rng.uniform(250, 700) if txv else rng.uniform(40, 110),
        "indoor_hold": rng.uniform(0.45, 0.9),
        "fans": float(fans),
        "always_fans": 0.0 if fans == 1 or rng.random() < 0.75 else 1.0,
        "head": physics.HEAD_CODES[str(head)],
        "fan_on_kpa": on_kpa * (1 + rng.normal(0, 0.008)) + barometer - 101.325,
        "fan_off_kpa": off_kpa * (1 + rng.normal(0, 0.010)) + barometer - 101.325,
        "hold_low_c": band[0],
        "hold_high_c": band[1],
        "least_speed": float(rng.choice([0.0, 0.1, 0.2])),
        "stage_c": rng.uniform(10, 18),
        "exposure": rng.uniform(0.5, 1.2),
        "shared_fans": bool(unit["shared_fans"]),
        "lp_out_kpa": float(psig_to_kpa(lp_out + rng.normal(0, 2.5), barometer)),
        "lp_reset_kpa": float(psig_to_kpa(lp_reset + rng.normal(0, 3.0), barometer)),
        "lp_at_liquid": at_liquid,
        "lp_delay_s": delay,
        "starts_open": bool(delay >= 90 and rng.random() < 0.2),
        "anti_recycle_s": float(rng.choice([0, 60, 180, 240, 300], p=[0.1, 0.1, 0.4, 0.15, 0.25])),
        "trips_to_latch": float(board),
        "clears_on_call": bool(rng.random() < 0.45) and board == 3,
        "hp_out_kpa": float(psig_to_kpa(hp_out + rng.normal(0, 6), barometer)),
        "hp_reset_kpa": float(psig_to_kpa(hp_reset + rng.normal(0, 8), barometer)),
        "pump_down": bool(unit["pump_down"]),
        "standing_offset_k": float(np.clip(rng.normal(0.8, 0.8), -0.3, 3.5)),
        "heater_k": float(rng.choice([0.0, 0.5, 1.2], p=[0.4, 0.4, 0.2])),
        "sun_k": rng.uniform(0.3, 3.0),
    }


def _service_dates(rng: np.random.Generator, options: Options) -> tuple[date, date | None, date | None, date]:
    """Served from, served to, retired on, installed on."""
    span = (options.end - options.start).days
    served_from = (
        options.start if rng.random() < 0.82 else options.start + timedelta(days=int(rng.integers(30, int(span * 0.7))))
    )
    served_to = retired = None
    left = (options.end - served_from).days
    if rng.random() < 0.05 and left > 400:
        served_to = served_from + timedelta(days=int(rng.integers(300, left)))
    elif rng.random() < 0.06 and left > 400:
        retired = served_from + timedelta(days=int(rng.integers(300, left)))
    installed = options.start - timedelta(days=int(rng.integers(200, 5500)))
    return served_from, served_to, retired, installed


def _start_conditions(rng: np.random.Generator, head: str, economizer: bool) -> dict[str, object]:
    """What is wrong with a unit on the first day, before anybody writes anything down."""
    controlled = head in ("fan cycling", "fan speed", "fan staging by ambient", "dampers")
    return {
        "head": "bypassed" if controlled and rng.random() < 0.17 else "working",
        "charge": 1.0 if rng.random() > 0.07 else rng.uniform(0.6, 0.9),
        "coil": rng.uniform(0.78, 1.0),
        "leak_per_h": 0.0,
        "economizer": "idle" if economizer and rng.random() < 0.35 else "works",
        "lp_jumpered": bool(rng.random() < 0.015),
        "hp_jumpered": bool(rng.random() < 0.004),
    }


def draw_unit(rng: np.random.Generator, pick: Pick, options: Options, site: Site, unit_id: str, use: str = "") -> Unit:
    """One unit with its circuits."""
    use = use or str(rng.choice(SITE_KINDS[site.kind][1]))
    duty, _, _, _, _, watched = USES[use]
    refrigerant = _refrigerant(rng, pick, options, duty)
    circuits = 2 if duty != "refrigeration" and rng.random() < 0.42 else 1
    tons = float(rng.choice([3, 4, 5, 6, 7.5, 8.5, 10, 12.5, 15, 20] if circuits == 2 else [1.5, 2, 3, 4, 5, 5, 6]))
    shared = circuits == 2 and rng.random() < 0.45
    fans = int(rng.choice([2, 3, 4])) if shared else int(rng.choice([1, 2, 2, 3], p=[0.45, 0.25, 0.2, 0.1]))
    mix = dict(HEAD_MIX[duty])
    if site.region == "north":
        mix["none"] = mix["none"] // 2
    head = pick.weighted(rng, mix)
    heat_pump = duty == "comfort" and rng.random() < 0.22
    economizer = circuits == 2 and duty != "refrigeration" and rng.random() < 0.5
    served_from, served_to, retired, installed = _service_dates(rng, options)
    settings = _settings(rng, refrigerant, use)
    if heat_pump:  # suction is low by nature when it heats: a loss-of-charge setting
        low = round(settings[0][0] * 0.4)
        settings = ((low, low + 25), settings[1])
    field_fitted = rng.random() < 0.3
    fan_band = FIELD_BAND_C if field_fitted else FACTORY_BAND_C
    facts: dict[str, object] = {
        "use": use,
        "duty": duty,
        "refrigerant": refrigerant,
        "head": head,
        "fans": fans,
        "shared_fans": shared,
        "heat_pump": heat_pump,
        "barometer": float(barometer_kpa(site.elevation_m)),
        "pump_down": duty == "refrigeration" and rng.random() < 0.4,
    }
    lanes = [_circuit(rng, facts, settings, fan_band) for _ in range(circuits)]
    for lane in lanes[1:]:  # one maker, one design: only tolerances and settling differ between sisters
        for name in (
            "thermostatic",
            "valve_feed",
            "lp_delay_s",
            "trips_to_latch",
            "clears_on_call",
            "anti_recycle_s",
            "starts_open",
            "always_fans",
            "lp_at_liquid",
            "hold_low_c",
            "hold_high_c",
            "stage_c",
            "cond_td_k",
        ):
            lane[name] = lanes[0][name]
        if lane["lp_at_liquid"]:
            lane["lp_out_kpa"], lane["lp_reset_kpa"] = lanes[0]["lp_out_kpa"], lanes[0]["lp_reset_kpa"]
    sat = Saturation.of([refrigerant])
    return Unit(
        unit_id=unit_id,
        site=site,
        use=use,
        duty=duty,
        refrigerant=refrigerant,
        capacity_kw=round(tons * 3.51685, 1),
        circuits=circuits,
        fans=fans,
        shared_fans=shared,
        heat_pump=heat_pump,
        pump_down=bool(facts["pump_down"]),
        head=head,
        economizer=economizer,
        space_c={"walk-in cooler": 3.0, "walk-in freezer": -20.0}.get(use, round(rng.uniform(21, 24), 1)),
        coverage=str(rng.choice(["full", "time and material", "warranty"], p=[0.5, 0.44, 0.06])),
        outage_cost_per_h=float(rng.choice([0, 0, 25, 60]))
        if duty == "comfort"
        else float(rng.choice([50, 120, 250, 600])),
        installed_on=installed,
        retired_on=retired,
        served_from=served_from,
        served_to=served_to,
        watched=bool(rng.random() < watched),
        ambient_hold_c=float(rng.choice([4.4, 10.0, 12.8])) if duty == "year-round" and rng.random() < 0.04 else None,
        lanes=lanes,
        start=_start_conditions(rng, head, economizer),
        lp_nominal_psig=settings[0],
        hp_nominal_psig=settings[1],
        fan_nominal_kpa=tuple(float(sat.bubble_kpa(np.array([c]))[0]) for c in fan_band),  # type: ignore[arg-type]
    )


PREFIX = {"server room": "CRAC", "telecom hut": "WM", "walk-in cooler": "WIC", "walk-in freezer": "WIF"}


def draw_fleet(rng: np.random.Generator, options: Options, winters: dict[str, np.ndarray]) -> list[Unit]:
    """Sites with one to nine units each, `options.units` in all.

    `winters`: each region's outdoor temperatures over the whole span. A unit that locked out for weeks of every
    winter as it left the factory would have been dealt with before the records begin, so most such draws are
    drawn again; the few that stay are the fleet's old sorrows.
    """
    pick = Pick()
    sites = draw_sites(rng, pick, options, options.sites or max(1, round(options.units * 0.3)))
    share = rng.gamma(1.4, 1.0, len(sites)) + 0.25
    rest = rng.choice(len(sites), max(options.units - len(sites), 0), p=share / share.sum())
    owner = np.sort(np.concatenate([np.arange(len(sites)), rest])[: options.units])
    units = [draw_unit(rng, pick, options, sites[at], "") for at in owner]
    borne_h = np.exp(rng.normal(np.log(16.0), 1.5, len(units)))
    for _ in range(8):
        trouble_h = cold_trouble_h(units, winters, options)
        plain = np.array(
            [unit.head == "none" for unit in units]
        )  # people bear more from a unit that never had a control
        again = np.flatnonzero(trouble_h > np.where(plain, 6.0, 1.0) * borne_h)
        if not again.size:
            break
        for at in again:
            units[at] = draw_unit(rng, pick, options, units[at].site, "", units[at].use)
    _name(rng, units)
    return units


def cold_trouble_h(units: list[Unit], winters: dict[str, np.ndarray], options: Options) -> np.ndarray:
    """Hours a year in which a sound unit that is asked to cool would trip on low pressure; (units,)."""
    circuits, owner, _ = circuits_of(units)
    air_c = np.array([units[u].space_c for u in owner])
    margins = outcomes.sound_margins(circuits, air_c, lane_values(units, "standing_offset_k"))
    trouble = np.zeros(len(units))
    years = options.hours / 8766.0
    for lane, u in enumerate(owner):
        outdoor = winters[units[u].site.region]
        demand_share = {"year-round": 0.8, "refrigeration": 0.9}.get(units[u].duty, 0.02)
        hours = (np.interp(outdoor, outcomes.OUTDOOR_C, margins[:, lane]) < 0.0).sum() / years * demand_share
        trouble[u] = max(trouble[u], hours)
    return trouble


def _name(rng: np.random.Generator, units: list[Unit]) -> None:
    numbers: dict[str, int] = {}
    for unit in units:
        packaged = unit.circuits == 2 or rng.random() < 0.6
        prefix = PREFIX.get(unit.use) or ("HP" if unit.heat_pump else "RTU" if packaged else "CU")
        numbers[prefix] = numbers.get(prefix, 0) + 1
        unit.unit_id = f"{prefix}-{numbers[prefix]:03d}"


def circuits_of(units: list[Unit]) -> tuple[Circuits, np.ndarray, np.ndarray]:
    """All circuits as lanes, with the unit's index and the circuit's number (1, 2) of each lane."""
    owner = np.array([u for u, unit in enumerate(units) for _ in unit.lanes], dtype=np.intp)
    number = np.array([c + 1 for unit in units for c in range(len(unit.lanes))])
    lanes = [lane for unit in units for lane in unit.lanes]
    sister = np.arange(len(lanes))
    for lane in np.flatnonzero(number == 2):
        sister[lane], sister[lane - 1] = lane - 1, lane
    values: dict[str, object] = {}
    for name in Circuits.__dataclass_fields__:
        if name == "sat":
            values[name] = Saturation.of([units[u].refrigerant for u in owner])
        elif name == "sister":
            values[name] = sister
        else:
            values[name] = np.array([lane[name] for lane in lanes])
    return Circuits(**values), owner, number  # type: ignore[arg-type]


def lane_values(units: list[Unit], name: str) -> np.ndarray:
    """One of a circuit's further parameters, lane by lane."""
    return np.array([lane[name] for unit in units for lane in unit.lanes], dtype=float)


def first_condition(units: list[Unit]) -> Condition:
    """The condition of every lane on the first day."""
    owners = [unit for unit in units for _ in unit.lanes]
    condition = physics.sound(len(owners))
    condition.head[:] = [physics.FANS_ALWAYS_ON if u.start["head"] == "bypassed" else physics.WORKING for u in owners]
    condition.charge[:] = [u.start["charge"] for u in owners]
    condition.coil[:] = [u.start["coil"] for u in owners]
    condition.lp_jumpered[:] = [u.start["lp_jumpered"] for u in owners]
    condition.hp_jumpered[:] = [u.start["hp_jumpered"] for u in owners]
    return condition
