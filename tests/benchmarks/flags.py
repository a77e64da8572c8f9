"""Flags of large invented fleets: seconds and memory of `judge_flags`, beside a classifier trained on the truth.

Run as `python tests/benchmarks/flags.py [UNITS ...]` (default 2000 20000). The rival in the same run is scikit-learn's
histogram gradient boosting on counts of each unit's calls by words and weather, trained on the planted truth of half
of the units, which no company has; both are scored on the other half. Ends with 1 where the largest fleet takes over
60 s or 4 GB. Memory is the highest that the process came to, frames and all.
"""

import resource
import sys
import time
from datetime import timedelta

import numpy as np
import polars as pl
from flag_frames import CHECKS, HEAD_PRESSURE, START, STOPS, WEEKS, WIDTH_K, frames
from flag_frames import call as one_call
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.metrics import average_precision_score

from lowambient import reference
from lowambient.flags.judging import judge_flags

BAR_S, BAR_GB = 60.0, 4.0
STATIONS, CALLS_A_YEAR, COLD_PER_1000_H = 40, 2.5, 1.5
WORDS = (
    "no cooling",
    "belt",
    "drain",
    "fan",
    "electrical",
    "noise",
    "unclear",
    "low-pressure trip",
    "leak or low charge",
)
COLD_WORDS = ("low-pressure trip", "no cooling", "unclear", "leak or low charge")
SAID = ("power cycled", "switch reset", "refrigerant added", "bypass found", "control reconnected", "control fitted")
CONTROLS = ("none", "fan cycling", "fan speed", "unknown")


def fleet(count: int, seed: int) -> tuple[dict[str, pl.DataFrame], np.ndarray]:
    """Frames of a fleet, and whether each unit has lost its control and locks out in the cold."""
    random = np.random.default_rng(seed)
    names = [f"u{unit:06d}" for unit in range(count)]
    weather = (
        1.0 + 13.0 * np.cos(2 * np.pi * (np.arange(WEEKS) % 52 - 29) / 52) + random.normal(0, 4, (STATIONS, WEEKS))
    )
    station = random.integers(0, STATIONS, count)
    lost = random.random(count) < 0.15
    below = random.choice([-7.0, -1.0, 4.0], count)
    rate = COLD_PER_1000_H / 1000 * 168 * (weather[station] < below[:, None]) * lost[:, None]
    cold, plain = random.poisson(rate), random.poisson(CALLS_A_YEAR / 52, (count, WEEKS))
    tickets = pl.concat(
        [_tickets(random, cold, COLD_WORDS, (0.5, 0.3, 0.1, 0.1)), _tickets(random, plain, WORDS, None)]
    ).sort("unit", "opened_h")
    band = np.floor((weather - 10) / WIDTH_K).astype(np.int64)
    opened = pl.duration(microseconds=(pl.col("opened_h") * 3.6e9).cast(pl.Int64))
    at = tickets["unit"].to_numpy(), tickets["week"].to_numpy()
    calls = tickets.with_columns(
        call_id=pl.format("c{}", pl.int_range(pl.len())),
        unit_id=pl.Series([names[unit] for unit in at[0]]),
        work_type=pl.lit("service"),
        opened_at=(pl.lit(START) + opened).cast(pl.Datetime("us", "UTC")),
        ended_week=pl.col("week"),
        is_complaint=pl.lit(value=True),
        is_completed=pl.lit(value=True),
        is_unclear=pl.col("symptom") == "unclear",
        low_pressure_probability=pl.when(pl.col("symptom") == "low-pressure trip").then(0.9).otherwise(0.1),
        band=pl.Series(band[station[at[0]], at[1]], dtype=pl.Int32),
    )
    # the shape of every frame is that of the small fleets in tests
    given = frames({"u": {}}, [one_call("u", 0)])
    columns = given["flag_calls"].columns
    units = pl.DataFrame({"unit_id": names, "station_id": [f"s{each:02d}" for each in station]}).with_columns(
        pl.Series("head_control", [CONTROLS[each] for each in random.choice(4, count, p=[0.1, 0.3, 0.2, 0.4])])
    )
    listed = units.join(given["flag_units"].drop("unit_id", "station_id", "head_control"), how="cross")
    place = {f"s{each:02d}": each for each in range(STATIONS)}
    hours = pl.DataFrame(
        [(name, week, int(band[each, week]), 168) for name, each in place.items() for week in range(WEEKS)],
        schema=["station_id", "week", "band", "hours"],
        orient="row",
    )
    year = (
        hours.group_by("station_id", "band").agg(hours=pl.col("hours").sum() / (WEEKS / 52)).sort("station_id", "band")
    )
    stated = calls.filter(pl.Series(random.random(calls.height) < 0.3)).select("call_id")
    said = stated.with_columns(
        statement=pl.Series(random.choice(SAID, stated.height)),
        probability=0.93,
        words=pl.lit("as said"),
        about=pl.lit(None, pl.String),
    )
    return given | {
        "flag_units": listed.select(given["flag_units"].columns),
        "flag_calls": calls.select(columns).cast(dict(given["flag_calls"].schema)).sort("call_id"),
        "call_statements": said,
        "week_bands": hours,
        "year_bands": year,
        **_readings(random, names, lost),
    }, lost


def _tickets(random: np.random.Generator, counts: np.ndarray, words: tuple[str, ...], shares: object) -> pl.DataFrame:
    unit, week = np.nonzero(counts)
    times = counts[unit, week]
    unit, week = np.repeat(unit, times), np.repeat(week, times)
    return pl.DataFrame(
        {
            "unit": unit,
            "week": week,
            "opened_h": 168.0 * week + random.uniform(0, 168, len(week)),
            "symptom": random.choice(words, len(week), p=shares),
        }
    )


def _readings(random: np.random.Generator, names: list[str], lost: np.ndarray) -> dict[str, pl.DataFrame]:
    """A twentieth of the units is logged for a winter, and a hundredth was looked at on the roof."""
    logged = np.flatnonzero(random.random(len(names)) < 0.05)
    looked = np.flatnonzero(random.random(len(names)) < 0.01)
    begins, weeks = START + timedelta(weeks=170), range(170, 192)
    still = ("held", 400, 0.0)
    ends = begins + timedelta(weeks=22)
    periods = [
        (names[unit], "1", begins, ends, *(("follows ambient", 400, 0.8) if lost[unit] else still)) for unit in logged
    ]
    stops = [
        (
            names[unit],
            begins + timedelta(weeks=week - 170, days=1),
            week,
            begins + timedelta(weeks=week - 170, days=1),
            2,
            -3,
        )
        for unit in logged
        if lost[unit]
        for week in weeks[4:16]
    ]
    verdicts = [
        (names[unit], None, "head control out", begins, "confirmed" if lost[unit] else "not found", None)
        for unit in looked
    ]
    return {
        "head_pressure": pl.DataFrame(periods, schema=HEAD_PRESSURE, orient="row"),
        "logged_weeks": pl.DataFrame(
            [(names[unit], week, 168) for unit in logged for week in weeks],
            schema={"unit_id": pl.String, "week": pl.Int32, "logged_hours": pl.Int64},
            orient="row",
        ),
        "logged_stops": pl.DataFrame(stops, schema=STOPS, orient="row"),
        "in_checks": pl.DataFrame(verdicts, schema=CHECKS, orient="row"),
    }


def rival(given: dict[str, pl.DataFrame], lost: np.ndarray, trained: np.ndarray) -> tuple[float, float]:
    """Seconds and average precision of gradient boosting on counts by words and weather."""
    begun = time.perf_counter()
    counted = (
        given["flag_calls"]
        .with_columns(cold=pl.col("band") < -3)
        .group_by("unit_id")
        .agg(
            *(
                ((pl.col("symptom") == word) & (pl.col("cold") == is_cold)).sum().alias(f"{word} {is_cold}")
                for word in sorted({*WORDS, *COLD_WORDS})
                for is_cold in (True, False)
            )
        )
    )
    table = given["flag_units"].select("unit_id", "head_control").to_dummies("head_control")
    counts = (
        table.join(counted, on="unit_id", how="left", maintain_order="left").fill_null(0).drop("unit_id").to_numpy()
    )
    model = HistGradientBoostingClassifier(random_state=0).fit(counts[trained], lost[trained])
    score = model.predict_proba(counts[~trained])[:, 1]
    return time.perf_counter() - begun, float(average_precision_score(lost[~trained], score))


def measured(count: int) -> tuple[float, float]:
    """Prints one line for a fleet; seconds and GB."""
    given, lost = fleet(count, seed=count)
    thresholds = {name: row.value for name, row in reference.thresholds().items()} | {"band_width_k": WIDTH_K}
    trained = np.random.default_rng(1).random(count) < 0.5
    rival_s, rival_precision = rival(given, lost, trained)
    begun, worked = time.perf_counter(), time.process_time()
    flagged = judge_flags(given, thresholds)
    seconds, worked = time.perf_counter() - begun, time.process_time() - worked
    gigabytes = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    of = flagged.flags.filter(pl.col("flag") == "cold lockout")
    summed = of.select("unit_id", "probability")
    joined = given["flag_units"].select("unit_id").join(summed, on="unit_id", how="left", maintain_order="left")
    score = joined["probability"].fill_null(0.0).to_numpy()
    precision = average_precision_score(lost[~trained], score[~trained])
    print(
        f"{count:>7,} units {given['flag_calls'].height:>8,} calls {flagged.evidence.height:>8,} pieces |"
        f" judge_flags {seconds:6.1f} s ({worked:.1f} s of processor), {gigabytes:4.1f} GB,"
        f" average precision {precision:.3f}"
        f" | boosting {rival_s:5.1f} s, {rival_precision:.3f} | ratio {seconds / rival_s:.1f}",
        flush=True,
    )
    return seconds, gigabytes


if __name__ == "__main__":
    sizes = [int(size) for size in sys.argv[1:]] or [2000, 20000]
    last = [measured(size) for size in sizes][-1]
    sys.exit(int(last[0] > BAR_S or last[1] > BAR_GB))
