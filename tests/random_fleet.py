"""Small random fleets for comparing marts with their slow twins: every oddity that the contract allows, often."""

from datetime import datetime, timedelta

import numpy as np
import polars as pl

NOTES = (
    "unit off on LP, reset, running on departure",
    "no cooling, compressor locked out on low pressure",
    "replaced belt",
    None,
    "no LP trip found, thermostat set wrong",
)
START = datetime(2016, 5, 28)


def fleet(seed: int, days: int = 70, units: int = 14) -> dict[str, pl.DataFrame]:
    """Input tables: 3 stations (one only typical), 4 sites (one without position), gaps, band edges, odd dates."""
    random = np.random.default_rng(seed)
    return {
        "weather": _weather(random, days),
        "stations": _stations(random),
        "sites": _sites(random),
        "units": _units(random, days, units),
        "calls": _calls(random, days, units),
    }


def _maybe(random: np.random.Generator, value: object, chance: float = 0.5) -> object:
    return value if random.random() < chance else None


def _weather(random: np.random.Generator, days: int) -> pl.DataFrame:
    rows = []
    for station in ("A", "B"):
        keep = _gaps(random, 24 * days)
        for at in np.flatnonzero(keep):
            celsius = 8 + 14 * np.sin(at / 24 * 2 * np.pi) * random.random() + random.normal(0, 6)
            # half the hours in tenths of a degC, half in whole degF turned to degC, as files have them
            value = round(celsius, 1) if random.random() < 0.5 else (round(celsius * 1.8 + 32) - 32) / 1.8
            rows.append(
                {
                    "station_id": station,
                    "hour": START + timedelta(hours=int(at)),
                    "temperature_c": value,
                    "dew_point_c": _maybe(random, round(celsius - 3, 1), 0.8),
                    "wind_m_s": _maybe(random, round(float(random.gamma(2, 2)), 1), 0.8),
                    "kind": "observed",
                }
            )
    typical = [row | {"kind": "typical", "station_id": "C"} for row in rows[:50]]
    order = random.permutation(len(rows) + len(typical))
    every = rows + typical
    return pl.DataFrame([every[place] for place in order], infer_schema_length=None)


def _gaps(random: np.random.Generator, hours: int) -> np.ndarray:
    keep = np.ones(hours, dtype=bool)
    for start in random.integers(0, hours, size=hours // 20):
        keep[start : start + int(random.integers(1, 8))] = False
    return keep


def _stations(random: np.random.Generator) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "station_id": ["A", "B", "C"],
            "latitude": random.uniform(30, 60, 3),
            "longitude": random.uniform(-120, -70, 3),
        }
    )


def _sites(random: np.random.Generator) -> pl.DataFrame:
    places = [(float(random.uniform(30, 60)), float(random.uniform(-120, -70))) for _ in range(3)] + [(None, None)]
    return pl.DataFrame(
        {
            "site_id": ["s1", "s2", "s3", "s4"],
            "latitude": [place[0] for place in places],
            "longitude": [place[1] for place in places],
            "elevation_m": [0.0, 500.0, None, 1600.0],
            "time_zone": ["America/Chicago"] * 4,
            "station_id": [_maybe(random, str(random.choice(["A", "B", "C", "elsewhere"]))) for _ in range(4)],
        },
        schema_overrides={"station_id": pl.String},
    )


def _units(random: np.random.Generator, days: int, units: int) -> pl.DataFrame:
    def date() -> datetime:
        return START + timedelta(minutes=int(random.integers(-30 * 1440, (days + 30) * 1440)))

    rows = []
    for number in range(units):
        served, life = sorted([date(), date()]), sorted([date(), date()])
        rows.append(
            {
                "unit_id": f"u{number}",
                "site_id": str(random.choice(["s1", "s2", "s3", "s4"])),
                "refrigerant": str(random.choice(["R410a", "R-22", "R-404A", "unheard of"])),
                "duty": _maybe(random, str(random.choice(["year-round", "comfort", "refrigeration"])), 0.8),
                "head_control": _maybe(random, str(random.choice(["none", "fan cycling", "flooded"])), 0.8),
                "space_c": _maybe(random, float(random.choice([-20.0, 3.0])), 0.5),
                "lp_reset_kpa": _maybe(random, float(random.choice([500.0, 900.0])), 0.3),
                "served_from": _maybe(random, served[0], 0.4),
                "served_to": _maybe(random, served[1], 0.4),
                "installed_on": _maybe(random, life[0], 0.2),
                "retired_on": _maybe(random, life[1], 0.2),
            }
        )
    return pl.DataFrame(rows, infer_schema_length=None)


def _calls(random: np.random.Generator, days: int, units: int) -> pl.DataFrame:
    rows = []
    for number in range(12 * units):
        opened = START + timedelta(minutes=int(random.integers(5 * 1440, (days - 3) * 1440)))
        if rows and random.random() < 0.4:
            opened = rows[-1]["opened_at"] + timedelta(hours=int(random.choice([1, 4, 5, 100, 168, 169])))
        rows.append(
            {
                "call_id": f"c{number:03d}",
                "unit_id": rows[-1]["unit_id"] if rows and random.random() < 0.5 else f"u{random.integers(units)}",
                "opened_at": opened,
                "closed_at": _maybe(random, opened + timedelta(hours=int(random.integers(1, 80))), 0.8),
                "work_type": _maybe(
                    random, str(random.choice(["service", "service", "service", "planned", "return"])), 0.8
                ),
                "complaint": NOTES[int(random.integers(len(NOTES)))],
                "status": _maybe(random, str(random.choice(["completed", "completed", "open", "cancelled"])), 0.8),
            }
        )
    return pl.DataFrame(rows, infer_schema_length=None)
