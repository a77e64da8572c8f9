"""Frames for tests of unit pages: an invented fleet with flags, evidence, a plan, calls with notes and logs.

Numbers are drawn, not modelled. Instants of one unit lie in one winter, so that its charts can be counted.
"""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
from report_frames import fleet_frames

from lowambient.records import outputs
from lowambient.refrigerant import saturation

BEGIN = datetime(2017, 12, 1, 6, tzinfo=UTC)
LOGGED = 3
"""The first units have logs, two circuits the second."""
FLAGS = ("cold lockout", "head control out", "low charge", "lp switch jumpered", "condenser fan out", "controls")
SYMPTOMS = ("low-pressure trip", "no cooling", "fan", "drain")


def unit_page_frames(
    units: int = 12, names: tuple[str, ...] = (), notes: tuple[str, ...] = ()
) -> dict[str, pl.DataFrame]:
    """Frames of `fleet_frames` and what unit pages take beside them; `notes` stand in every free text of unit 0."""
    frames = fleet_frames(units=units, sites=min(units, 6), names=names)
    rng = np.random.default_rng(11)
    ids = frames["units"]["unit_id"].to_list()
    frames["sites"] = frames["sites"].with_columns(elevation_m=pl.lit(300.0), station_id=pl.lit("725300-94846"))
    frames["units"] = _listed(frames["units"])
    frames["unit_station"] = frames["unit_station"].with_columns(station_id=pl.lit("725300-94846"))
    frames["coverage"] = frames["coverage"].with_columns(
        readings=pl.when(pl.col("unit_id").is_in(ids[:LOGGED])).then(9_000).otherwise(0),
        first_reading=pl.when(pl.col("unit_id").is_in(ids[:LOGGED])).then(pl.lit(BEGIN)),
        last_reading=pl.when(pl.col("unit_id").is_in(ids[:LOGGED])).then(pl.lit(BEGIN + timedelta(days=9))),
    )
    frames |= _judged(ids, notes)
    frames |= _called(ids, notes, rng)
    frames |= _logged(ids, rng)
    frames["coldest_days"] = pl.DataFrame(
        [
            ("725300-94846", BEGIN.replace(hour=0) + timedelta(days=at), 4 - 10 * float(np.sin(at / 9)))
            for at in range(120)
        ],
        schema={"station_id": pl.String, "day": pl.Datetime("us", "UTC"), "coldest_c": pl.Float64},
        orient="row",
    )
    frames["unit_limits"] = pl.DataFrame(
        {
            "unit_id": ids,
            "starve_ambient_c": [10.0] * len(ids),
            "reset_ambient_c": [3.9] * len(ids),
            "demand_source": ["listed"] * len(ids),
            "reset_source": ["usual"] * len(ids),
        }
    )
    return frames


def _listed(units: pl.DataFrame) -> pl.DataFrame:
    return units.with_columns(
        description=pl.lit("server room"),
        duty=pl.lit("year-round"),
        head_control=pl.lit("fan cycling"),
        capacity_kw=pl.lit(35.2),
        circuits=pl.lit(2, pl.Int64),
        lp_cut_out_kpa=pl.lit(473.6),
        lp_reset_kpa=pl.lit(908.0),
        served_from=pl.lit(None, pl.Datetime("us", "UTC")),
        refrigerant=pl.when(pl.int_range(pl.len()) == 2).then(pl.lit("R-32")).otherwise("refrigerant"),
    )


def _judged(ids: list[str], notes: tuple[str, ...]) -> dict[str, pl.DataFrame]:
    """Three flags on each of the first half of the units: two raised, which look like each other, and one not."""
    flags, evidence, plan = [], [], []
    for at, unit_id in enumerate(ids[: len(ids) // 2]):
        texts = list(notes) if at == 0 and notes else []
        for place, (flag, probability) in enumerate(
            (("head control out", 0.94), ("low charge", 0.61), ("controls", 0.2))
        ):
            text = texts[place % len(texts)] if texts else f"Suspected from {place + 3} pieces."
            flags.append(
                {
                    "unit_id": unit_id,
                    "circuit": "1" if place < 2 else None,
                    "flag": flag,
                    "probability": probability - at / 200,
                    "probability_ever": 0.97,
                    "probability_logged": None,
                    "raised": probability > 0.5,
                    "episodes": 3,
                    "first_seen": BEGIN,
                    "last_seen": BEGIN + timedelta(days=60),
                    "new_since": at == 0 or None,
                    "last_checked_at": BEGIN + timedelta(days=70) if at == 1 else None,
                    "last_verdict": "not found" if at == 1 else None,
                    "sentence": text,
                    "evidence_count": 4,
                    "rests_on": "readings, calls, notes",
                    "check": text if texts else "Cover half the coil and watch the fans: they must stop by 240 psig.",
                    "bring": text if texts else "gauges and a fan-cycling switch",
                }
            )
            pieces = [
                ("readings", "head_pressure", 2.1),
                ("calls", "calls", 1.2),
                ("words", "call_statements", 0.7),
                ("readings", "set_points", -0.8),
            ]
            for number, (kind, table, weight) in enumerate(pieces):
                evidence.append(
                    {
                        "unit_id": unit_id,
                        "circuit": "1" if place < 2 else None,
                        "flag": flag,
                        "place": number + 1,
                        "kind": kind,
                        "weight": weight,
                        "at": BEGIN + timedelta(days=number),
                        "source_table": table,
                        "source_key": texts[number % len(texts)] if texts else f"row {number}",
                        "sentence": text,
                    }
                )
        plan.append(
            {
                "rank": at + 1,
                "unit_id": unit_id,
                "option": texts[0] if texts else "fan cycling control",
                "cost": 640.0,
                "crew_h": 3.5,
                "avoided_calls_per_winter": 1.9,
                "lower_90": 0.4,
                "upper_90": 3.2,
                "avoided_cost_contractor": 410.0,
                "avoided_cost_customer": 900.0,
                "probability_pays_back": 0.83,
                "site_id": None,
                "drives": True,
                "value_of_information": None,
                "after_check": None,
                "worth_it": True,
                "selected": at % 2 == 0,
            }
        )
    return {
        name: pl.DataFrame(rows, infer_schema_length=None)
        for name, rows in (("flags", flags), ("evidence", evidence), ("plan", plan))
    }


def _called(ids: list[str], notes: tuple[str, ...], rng: np.random.Generator) -> dict[str, pl.DataFrame]:
    calls, written, stated = [], [], []
    for at, unit_id in enumerate(ids):
        for number in range(6 + (30 if at == 1 else 0)):
            call_id = f"C{at:03d}-{number:03d}"
            opened = BEGIN + timedelta(days=3 * number % 100, hours=number)
            texts = [notes[(number * 3 + place) % len(notes)] for place in range(3)] if at == 0 and notes else None
            calls.append(
                {
                    "call_id": call_id,
                    "unit_id": unit_id,
                    "opened_at": opened,
                    "outdoor_c": None if number == 5 else float(rng.uniform(-12, 12)),
                    "outdoor_min_c": None if number == 5 else float(rng.uniform(-15, 8)),
                    "symptom": SYMPTOMS[number % len(SYMPTOMS)],
                    "symptom_probability": 0.9,
                    "is_unclear": number == 4,
                    "callback_of": f"C{at:03d}-{number - 1:03d}" if number == 1 else None,
                    "is_callback": number == 1,
                    "cold_probability": 0.8 if number % 4 == 0 else 0.05,
                }
            )
            complaint, finding, action = texts or ("server rm warm", "lockout on LP, reset", "running on departure")
            written.append((call_id, unit_id, "service", "completed", complaint, finding, action))
            if number in (0, 2):
                stated.append((call_id, unit_id, opened, "switch reset", (texts or ["reset"])[0]))
    note_columns = ("call_id", "unit_id", "work_type", "status", "complaint", "finding", "action")
    schema = outputs.TABLES["calls"].create_empty().schema
    frame = pl.DataFrame(calls, infer_schema_length=None)
    return {
        "calls": frame.with_columns(
            pl.lit(None, kind).alias(name) for name, kind in schema.items() if name not in frame.columns
        ),
        "call_notes": pl.DataFrame(written, schema=note_columns, orient="row"),
        "call_statements": pl.DataFrame(
            stated, schema=("call_id", "unit_id", "opened_at", "statement", "words"), orient="row"
        ),
    }


def _logged(ids: list[str], rng: np.random.Generator) -> dict[str, pl.DataFrame]:
    parts: dict[str, list[dict[str, object]]] = {
        name: []
        for name in (
            "log_days",
            "shown_windows",
            "shown_readings",
            "steady_points",
            "trips",
            "lockouts",
            "set_points",
            "head_pressure",
            "trace_faults",
        )
    }
    for at, unit_id in enumerate(ids[:LOGGED]):
        for circuit in ("1", "2")[: 2 if at == 1 else 1]:
            _log(parts, {"unit_id": unit_id, "circuit": circuit}, rng)
    return {name: pl.DataFrame(rows, infer_schema_length=None) for name, rows in parts.items()}


def _log(parts: dict[str, list[dict[str, object]]], whose: dict[str, object], rng: np.random.Generator) -> None:
    end = BEGIN + timedelta(days=9)
    windows = ((0, BEGIN, end), (1, BEGIN + timedelta(days=3), BEGIN + timedelta(days=6)))
    for day in range(9):
        at = BEGIN + timedelta(days=day)
        parts["log_days"].append(
            {**whose, "day": at.replace(hour=0), "first_at": at, "last_at": at + timedelta(hours=23)}
        )
    for number, first, last in windows:
        parts["shown_windows"].append(
            {
                **whose,
                "window_no": number,
                "from_at": first,
                "to_at": last,
                "events": 3 - number,
                "coldest_c": -9.0,
                "readings": 4000,
                "buckets": 60,
            }
        )
        for bucket in range(60):
            read_at = first + (last - first) * bucket / 60
            outdoor = -2 + 6 * float(np.sin(bucket / 5))
            suction, head = (
                saturation.dew_kpa("R-410A", [outdoor - 6])[0],
                saturation.bubble_kpa("R-410A", [outdoor + 14])[0],
            )
            for channel, value in (("suction_kpa", suction), ("liquid_kpa", head), ("outdoor_c", outdoor)):
                parts["shown_readings"].append(
                    {**whose, "window_no": number, "channel": channel, "read_at": read_at, "value": float(value)}
                )
    for number in range(80):
        outdoor = float(rng.uniform(-12, 20))
        parts["steady_points"].append(
            {
                **whose,
                "read_at": BEGIN + timedelta(hours=2.5 * number),
                "outdoor_c": outdoor,
                "condensing_c": outdoor + 15 + float(rng.normal()),
            }
        )
    for number in range(4):
        tripped = BEGIN + timedelta(days=1 + number, hours=7)
        parts["trips"].append(
            {
                **whose,
                "tripped_at": tripped,
                "kind": "low pressure",
                "on_start": number == 0,
                "minimum_kpa": 440.0 + 20 * number,
                "restarted_after_min": None if number == 2 else 14.0,
                "probability": 0.92,
            }
        )
        if number < 2:
            parts["lockouts"].append(
                {
                    **whose,
                    "started_at": tripped,
                    "ended_at": tripped + timedelta(hours=5),
                    "kind": "switch open",
                    "outdoor_c": -4.0,
                    "ended_by": "outdoor warmed",
                }
            )
    for switch, found, listed in (
        ("lp cut-out", 470.0, 473.6),
        ("lp reset", 905.0, 908.0),
        ("fan on", 2900.0, None),
        ("fan off", None, 1755.0),
        ("hp cut-out", None, None),
    ):
        parts["set_points"].append(
            {
                **whose,
                "switch": switch,
                "estimate_kpa": found,
                "lower_kpa": None if found is None else found - 15,
                "upper_kpa": None if found is None else found + 18,
                "estimate_psig": None if found is None else (found - 98) / 6.894757,
                "saturation_c": None if found is None else -10.0,
                "events": 0 if found is None else 4,
                "listed_kpa": listed,
            }
        )
    middle = BEGIN + timedelta(days=4)
    for first, last, behaviour, change in ((BEGIN, middle, "held", None), (middle, end, "follows ambient", middle)):
        parts["head_pressure"].append(
            {
                **whose,
                "period_start": first,
                "period_end": last,
                "behaviour": behaviour,
                "slope": 0.1 if change is None else 0.98,
                "band_c": 4.2,
                "samples": 900,
                "low_share": 0.1 if change is None else 0.9,
                "change_lower": change,
                "change_upper": change,
            }
        )
    parts["trace_faults"].append(
        {
            **whose,
            "channel": "suction_kpa",
            "from_at": BEGIN,
            "to_at": middle,
            "sentence": "Suction stood still for 4 h and was left out.",
        }
    )
