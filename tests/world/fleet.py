"""Sites, units and circuits as they really are, before anything goes wrong."""

from dataclasses import dataclass

import numpy as np

from .options import Habits, Options
from .saturation import bubble_c, gauge_kpa
from .weather import CLIMATES, PLACES, Station

# gauge settings (cut-out, reset) [psig] that makers of this world use, with weights
SWITCHES: dict[str, list[tuple[float, float, float]]] = {
    "R-410A": [(54, 117, 6), (60, 90, 2), (50, 95, 2), (55, 105, 1)],
    "R-454B": [(50, 105, 4), (48, 88, 3)],
    "R-32": [(56, 112, 3), (60, 100, 2)],
    "R-22": [(27, 44, 4), (25, 55, 3), (20, 45, 2)],
    "R-407C": [(18, 36, 3), (22, 50, 2)],
    "R-134a": [(9, 24, 3), (6, 20, 1)],
    "R-404A": [(14, 38, 3), (20, 48, 2), (8, 30, 2)],
    "R-448A": [(10, 32, 3), (15, 40, 2)],
    "R-507A": [(15, 42, 1)],
}
AIR_CONDITIONING = (
    ("R-410A", 0.56),
    ("R-22", 0.13),
    ("R-407C", 0.09),
    ("R-454B", 0.1),
    ("R-32", 0.06),
    ("R-134a", 0.06),
)
REFRIGERATION = (("R-404A", 0.5), ("R-448A", 0.25), ("R-134a", 0.13), ("R-507A", 0.12))

# use: duty, hours of use (days of the week, from, to), chance that another unit carries on, how closely it is watched
USES: dict[str, tuple[str, tuple[int, int, int], float, float]] = {
    "server room": ("year-round", (7, 0, 24), 0.4, 0.95),
    "telecom hut": ("year-round", (7, 0, 24), 0.5, 0.8),
    "laboratory": ("year-round", (7, 0, 24), 0.25, 0.6),
    "clinic imaging": ("year-round", (7, 6, 21), 0.15, 0.7),
    "kitchen": ("year-round", (7, 7, 23), 0.2, 0.4),
    "laundry": ("year-round", (6, 6, 20), 0.2, 0.35),
    "office": ("comfort", (5, 7, 19), 0.3, 0.4),
    "shop": ("comfort", (7, 9, 21), 0.3, 0.3),
    "school": ("comfort", (5, 7, 17), 0.1, 0.3),
    "cold store": ("refrigeration", (7, 0, 24), 0.25, 0.7),
    "walk-in cooler": ("refrigeration", (7, 0, 24), 0.1, 0.6),
    "freezer": ("refrigeration", (7, 0, 24), 0.1, 0.7),
}
MAKERS = ("Norvant", "Tellaro", "Brindle & Cox", "Airmoor", "Cascadel")


@dataclass(frozen=True)
class Site:
    """A customer's building, its weather station and clock."""

    site_id: str
    name: str
    latitude: float
    longitude: float
    elevation_m: float
    zone: str
    utc_offset_h: int
    station: int


@dataclass
class Circuit:
    """One refrigerant circuit: design values at sound condition. Temperatures °C, pressures kPa absolute."""

    name: str
    refrigerant: str
    cut_out_kpa: float
    reset_kpa: float
    reset_c: float  # bubble temperature at reset
    condenser_over_k: float  # condensing over ambient with all fans
    design_evaporating_c: float
    space_c: float  # air at the evaporator
    valve: str  # "txv", "orifice", "electronic"
    oversize: float
    start_dip: float  # lowest suction of a start over steady suction [-]
    head_control: str
    fans: int
    fan_on_c: float
    fan_off_c: float
    hold_c: float
    baffle: bool
    still_air: float  # airflow with all fans off [-]
    latch_after: int  # trips until the board locks out; 0 = never
    clears_with_call: bool
    coil_bias_k: float
    anti_recycle_min: float
    start_delay_s: float
    pump_down: bool


@dataclass
class Unit:
    """A unit of the service list, with what is true of it."""

    unit_id: str
    site: Site
    use: str
    duty: str
    refrigerant: str
    tons: float
    elevation_m: float
    circuits: list[Circuit]
    economizer: bool
    economizer_below_c: float
    load_base: float
    load_slope: float
    balance_c: float
    redundant: float
    watched: float
    hours_of_use: tuple[int, int, int]
    installed_year: int
    cut_out_psig: float
    reset_psig: float
    coverage: str
    leak_prone: float
    dust: float
    ambient_setting_c: float
    maker: str
    serves: str
    served_from_h: int = 0
    served_to_h: int | None = None
    later_use: str = ""  # another use, from hour `use_changes_h` of the world on
    use_changes_h: int = 0


def draw_sites(options: Options, habits: Habits, stations: list[Station], rng: np.random.Generator) -> list[Site]:
    """Enough sites for the fleet; sizes come later, when units are handed out."""
    kinds = [
        "Annex",
        "Clinic",
        "Depot",
        "Foods",
        "Hall",
        "Market",
        "Labs",
        "Plaza",
        "Storage",
        "Works",
        "Center",
        "Telecom",
    ]
    sites = []
    for i in range(max(3, int(options.units / rng.uniform(2.2, 5.0)))):
        at = int(rng.integers(len(stations)))
        station = stations[at]
        climate = CLIMATES[station.climate]
        sites.append(
            Site(
                site_id=str(1000 + 7 * i) if habits.id_style != "site" else f"{PLACES[i % 12][:3].upper()}{i:02d}",
                name=f"{rng.choice(PLACES)} {rng.choice(kinds)}",
                latitude=round(station.latitude + rng.uniform(-0.2, 0.2), 4),
                longitude=round(station.longitude + rng.uniform(-0.25, 0.25), 4),
                elevation_m=round(max(1.0, station.elevation_m + rng.normal(0, 25)), 0),
                zone=climate.zone,
                utc_offset_h=climate.utc_offset_h,
                station=at,
            )
        )
    return sites


def draw_units(options: Options, habits: Habits, sites: list[Site], rng: np.random.Generator) -> list[Unit]:
    """The fleet, ordered by id. Uses follow the share of year-round duty of this company."""
    weights = rng.pareto(1.6, len(sites)) + 0.3
    weights = weights / weights.sum()
    units = [_unit(i, sites[int(rng.choice(len(sites), p=weights))], habits, rng) for i in range(options.units)]
    numbers: dict[str, int] = {}
    for i, unit in enumerate(units):
        key = f"{unit.site.site_id}{unit.duty}"
        numbers[key] = numbers.get(key, 0) + 1
        unit.unit_id = _name(unit, i, numbers[key], habits.id_style)
    return sorted(units, key=lambda u: u.unit_id)


def _name(unit: Unit, i: int, of_site: int, style: str) -> str:
    kind = {"year-round": "AC", "comfort": "RT", "refrigeration": "CD"}[unit.duty]
    if style == "class":
        return f"{kind}U-{100 + i}"
    if style == "site":
        return f"{unit.site.site_id}/{kind}{of_site}"
    if style == "asset":
        return str(480000 + 13 * i)
    return f"{unit.site.site_id} {kind} {of_site:02d}"


def _pick(rng: np.random.Generator, table: tuple[tuple[str, float], ...]) -> str:
    p = np.array([w for _, w in table])
    return table[int(rng.choice(len(table), p=p / p.sum()))][0]


def _draw_use(habits: Habits, rng: np.random.Generator) -> str:
    if rng.random() < habits.year_round_share:
        return str(
            rng.choice(
                ["server room", "telecom hut", "laboratory", "clinic imaging", "kitchen", "laundry"],
                p=[0.28, 0.14, 0.1, 0.16, 0.2, 0.12],
            )
        )
    if rng.random() < 0.2:
        return str(rng.choice(["cold store", "walk-in cooler", "freezer"]))
    return str(rng.choice(["office", "shop", "school"], p=[0.5, 0.35, 0.15]))


def _draw_control(duty: str, habits: Habits, rng: np.random.Generator) -> str:
    if duty == "refrigeration":
        return _pick(
            rng, (("flooded", 0.32), ("fan cycling", 0.32), ("fan speed", 0.1), ("floating", 0.14), ("none", 0.12))
        )
    none = habits.none_fitted_share if duty == "year-round" else 0.5 + 0.4 * habits.none_fitted_share
    if rng.random() < none:
        return "none"
    return _pick(
        rng,
        (
            ("fan cycling", 0.5),
            ("fan speed", 0.2),
            ("fan staging by ambient", 0.16),
            ("flooded", 0.05),
            ("dampers", 0.03),
            ("floating", 0.06),
        ),
    )


def _unit(i: int, site: Site, habits: Habits, rng: np.random.Generator) -> Unit:
    use = _draw_use(habits, rng)
    duty, hours_of_use, redundant, watched = USES[use]
    refrigerant = _pick(rng, REFRIGERATION if duty == "refrigeration" else AIR_CONDITIONING)
    if use == "freezer" and refrigerant == "R-134a":
        refrigerant = "R-404A"
    tons = float(
        rng.choice([2, 3, 4, 5, 7.5, 10, 12.5, 15, 20], p=[0.06, 0.13, 0.12, 0.22, 0.15, 0.14, 0.07, 0.06, 0.05])
    )
    number = 1 if tons < 6 or duty == "refrigeration" else 2
    switches = SWITCHES[refrigerant]
    p = np.array([s[2] for s in switches], float)
    cut_out, reset, _ = switches[int(rng.choice(len(switches), p=p / p.sum()))]
    control = _draw_control(duty, habits, rng)
    circuits = [
        _circuit(str(k + 1), refrigerant, control, cut_out, reset, use, tons, site.elevation_m, rng)
        for k in range(number)
    ]
    for other in circuits[1:]:  # circuits of a cabinet are alike but for their own scatter
        first = circuits[0]
        other.valve, other.fans, other.baffle, other.latch_after = (
            first.valve,
            first.fans,
            first.baffle,
            first.latch_after,
        )
        other.clears_with_call, other.fan_on_c, other.fan_off_c, other.hold_c = (
            first.clears_with_call,
            first.fan_on_c,
            first.fan_off_c,
            first.hold_c,
        )
        other.anti_recycle_min, other.start_delay_s, other.pump_down = (
            first.anti_recycle_min,
            first.start_delay_s,
            first.pump_down,
        )
        other.space_c, other.design_evaporating_c = first.space_c, first.design_evaporating_c
    year_round = duty == "year-round"
    later_use = ""
    if duty != "refrigeration" and rng.random() < 0.04:
        later_use = str(rng.choice(["server room", "office", "shop", "laboratory"]))
    economizer = duty != "refrigeration" and tons >= 5 and rng.random() < (0.35 if year_round else 0.6)
    return Unit(
        unit_id=str(i),
        site=site,
        use=use,
        duty=duty,
        refrigerant=refrigerant,
        tons=tons,
        elevation_m=site.elevation_m,
        circuits=circuits,
        economizer=economizer,
        economizer_below_c=rng.uniform(10, 15),
        load_base=rng.uniform(0.85, 1.2),
        load_slope=rng.uniform(0.7, 1.3),
        balance_c=rng.normal(13.5, 2.2),
        redundant=float(np.clip(redundant + rng.normal(0, 0.2), 0, 0.85)),
        watched=float(np.clip(watched + rng.normal(0, 0.15), 0.1, 1)),
        hours_of_use=hours_of_use,
        installed_year=habits.start.year - int(rng.integers(1, 18)),
        cut_out_psig=cut_out,
        reset_psig=reset,
        coverage=str(rng.choice(["full", "time and material", "warranty"], p=[0.35, 0.57, 0.08])),
        leak_prone=float(rng.lognormal(0, 0.7)),
        dust=float(rng.lognormal(0, 0.6)),
        ambient_setting_c=float(rng.choice([4.4, 7.2, 10.0, 12.8])),
        maker=str(rng.choice(MAKERS)),
        serves=use,
        later_use=later_use,
        use_changes_h=int(rng.integers(habits.exports_from, habits.hours)) if later_use else 0,
        served_from_h=int(rng.integers(habits.exports_from + 500, habits.exports_from + 16000))
        if rng.random() < 0.1
        else 0,
        served_to_h=int(rng.integers(habits.hours - 12000, habits.hours)) if rng.random() < 0.05 else None,
    )


def _circuit(
    name: str,
    refrigerant: str,
    control: str,
    cut_out: float,
    reset: float,
    use: str,
    tons: float,
    elevation_m: float,
    rng: np.random.Generator,
) -> Circuit:
    space = {"cold store": 3.0, "walk-in cooler": 2.5, "freezer": -19.0}.get(use, 23.0)
    evaporating = {"cold store": -5.0, "walk-in cooler": -6.0, "freezer": -28.0}.get(use, rng.uniform(4.5, 8.0))
    cold_box = use in {"cold store", "walk-in cooler", "freezer"}
    if use == "freezer":
        cut_out, reset = 3.0, 15.0
    reset_kpa = gauge_kpa(reset, elevation_m) * (1 + rng.normal(0, 0.008))
    valve = (
        "electronic"
        if control == "floating"
        else str(rng.choice(["txv", "orifice"], p=[0.62, 0.38] if not cold_box else [1, 0]))
    )
    oversize = {"txv": rng.uniform(1.0, 1.32), "orifice": rng.uniform(0.88, 1.02), "electronic": rng.uniform(2.2, 2.9)}[
        valve
    ]
    fan_off = rng.normal(28.0, 2.0) if rng.random() < 0.6 else rng.normal(34.0, 1.5)
    board = rng.random()
    return Circuit(
        name=name,
        refrigerant=refrigerant,
        cut_out_kpa=gauge_kpa(cut_out + rng.normal(0, 1.2), elevation_m),
        reset_kpa=reset_kpa,
        reset_c=float(bubble_c(refrigerant, reset_kpa)),
        condenser_over_k=rng.uniform(9, 16) + (1.5 if tons < 6 else 0),
        design_evaporating_c=evaporating,
        space_c=space,
        valve=valve,
        oversize=oversize,
        start_dip=rng.uniform(0.85, 0.95) if cold_box else rng.uniform(0.66, 0.9),
        head_control=control,
        fans=int(rng.choice([1, 2])) if tons < 11 else int(rng.choice([2, 3, 4])),
        fan_on_c=fan_off + rng.uniform(9, 18),
        fan_off_c=fan_off,
        hold_c=rng.uniform(15, 19) if control == "floating" else rng.uniform(28, 36),
        baffle=bool(rng.random() < 0.25),
        still_air=rng.uniform(0.03, 0.09),
        latch_after=0 if board < 0.55 else (1 if board > 0.93 else 3),
        clears_with_call=bool(rng.random() < 0.35),
        coil_bias_k=rng.normal(0, 0.7),
        anti_recycle_min=float(rng.choice([0.5, 3.0, 5.0])),
        start_delay_s=float(rng.choice([30, 60, 90, 180])),
        pump_down=bool(cold_box and rng.random() < 0.5),
    )
