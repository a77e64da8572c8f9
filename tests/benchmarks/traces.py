"""Analysing every circuit's readings against DuckDB's bare scan of the same table: an aggregate and a window function.

Run as `python tests/benchmarks/traces.py [MILLION_ROWS ...]` (default 1 10); circuits have 100,000 readings each.
Prints seconds, rates, the ratio and the peak memory for each size; ends with 1 where the largest misses.
"""

import os
import resource
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl

from lowambient.judgement import traced
from lowambient.records import inputs
from lowambient.refrigerant.saturation import bubble_kpa
from lowambient.store import Store

BAR_RATIO, BAR_MB = 3.0, 4000.0
ROWS_A_CIRCUIT = 100_000
STEP_S = 60
BARE = (
    "select unit_id, circuit, count(*), avg(suction_kpa), max(liquid_kpa), sum(starts) from (select *, case when"
    " compressor_on and not lag(compressor_on) over (partition by unit_id, circuit order by read_at) then 1 end"
    " as starts from in_readings) group by unit_id, circuit"
)


def circuit(number: int) -> pl.DataFrame:
    """A circuit in winter: runs of an hour that saw between fan pressures or follow the air, and an hour of rest."""
    chance = np.random.default_rng(number)
    at = np.arange(ROWS_A_CIRCUIT) * STEP_S
    outdoor = 2 + 6 * np.sin(at / 86400 * 2 * np.pi) + 5 * np.sin(at / 86400 / 9)
    since = at % 7200
    runs = since < 3600
    saw = np.abs((at / 60 + number) % 12 - 6) / 6
    condensing = np.where(number % 2, 26 + 14 * saw, outdoor + 13)
    head = np.where(runs, bubble_kpa("R-410A", condensing), bubble_kpa("R-410A", outdoor + 1))
    suction = np.where(runs, 850.0 - 120 * (outdoor < 0), bubble_kpa("R-410A", outdoor + 1))
    noise = chance.normal(0, 7, (2, ROWS_A_CIRCUIT))
    began = datetime(2015, 11, 1, tzinfo=UTC)
    return pl.DataFrame(
        {
            "unit_id": pl.repeat(f"U-{number:04d}", ROWS_A_CIRCUIT, eager=True),
            "circuit": pl.repeat("1", ROWS_A_CIRCUIT, eager=True),
            "read_at": pl.datetime_range(began, began + timedelta(seconds=int(at[-1])), f"{STEP_S}s", eager=True),
            "suction_kpa": suction + noise[0],
            "liquid_kpa": head + noise[1],
            "outdoor_c": outdoor,
            "compressor_on": runs,
        }
    )


def fill(store: Store, circuits: int) -> tuple[pl.DataFrame, pl.DataFrame]:
    """A store with so many circuits, each a unit of its own, and no weather."""
    for number in range(circuits):
        store.put("made", circuit(number))
        columns = "unit_id, circuit, read_at, suction_kpa, liquid_kpa, outdoor_c, compressor_on"
        store.connection.execute(
            f"insert into raw_readings ({columns}, file_no, record) select {columns}, 1, 0 from made"
        )
    units = pl.DataFrame({"unit_id": [f"U-{n:04d}" for n in range(circuits)], "site_id": "S", "refrigerant": "R-410A"})
    store.put("unit_station", units.select("unit_id", station_id=pl.lit(None, dtype=pl.String)))
    store.put("weather_hours", pl.DataFrame(schema={"station_id": pl.String, "hour": pl.Datetime("us"),
                                                    "temperature_c": pl.Float64, "wind_m_s": pl.Float64}))  # fmt: skip
    sites = pl.DataFrame({"site_id": ["S"], "elevation_m": [0.0]})
    missing = [name for name in inputs.TABLES["units"].column_names() if name not in units.columns]
    return units.with_columns(pl.lit(None).alias(name) for name in missing), sites


def timed(millions: float) -> tuple[float, float]:
    """Ratio of the analysis to the bare scan, and the peak memory in MB."""
    with tempfile.TemporaryDirectory() as folder, Store(Path(folder) / "b.duckdb", threads=os.cpu_count()) as store:
        units, sites = fill(store, round(millions * 1e6 / ROWS_A_CIRCUIT))
        store.checkpoint()
        began = time.perf_counter()
        store.connection.execute(BARE).fetchall()
        bare_s = time.perf_counter() - began
        began = time.perf_counter()
        found = traced(store, units, sites)
        ours_s = time.perf_counter() - began
    peak_mb = sum(resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)) / 1024
    periods = found["head_pressure"].height
    print(
        f"{millions:g} M readings: bare {bare_s:.1f} s, analysis {ours_s:.1f} s ({millions / ours_s:.2f} M/s,"
        f" {periods} periods), ratio {ours_s / bare_s:.2f}, peak {peak_mb:,.0f} MB"
    )
    return ours_s / bare_s, peak_mb


if __name__ == "__main__":
    results = [timed(float(each)) for each in sys.argv[1:] or ("1", "10")]
    sys.exit(int(results[-1][0] > BAR_RATIO or results[-1][1] > BAR_MB))
