"""Analysing every circuit's readings against DuckDB's bare scan of the same table: aggregates and a window function.

Run as `python tests/benchmarks/traces.py [MILLION_ROWS ...]` (default 1 10; the claim is 1 10 100). Circuits have
100,000 readings each: `--kinds` different ones, made by `trace_maker` with everything drawn at random but the logging
interval (half 10 s, a quarter each 30 s and 1 min) and its length, stand in turn under as many unit names as are
needed. `--pool` keeps what was made for another run. The rival scans the table that the analysis reads: count, mean,
least and greatest of every channel by circuit in one query, starts by circuit with `lag` in another. Prints seconds,
processor seconds (which other work on the machine stretches less), rates, ratios and the peak memory of all processes
for each size; ends with 1 where the largest misses. Functions import what they need, since each process of the
analysis imports this file too, as it does the command line's.
"""

import argparse
import os
import resource
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

sys.path.insert(0, str(Path(__file__).parents[1]))

if TYPE_CHECKING:
    from trace_maker import Made

    from lowambient.store import Store

BAR_RATIO, BAR_MB = 3.0, 4000.0
ROWS_A_CIRCUIT = 100_000
INTERVALS_S = (10, 30, 10, 60)
MADE_AT_ONCE = 64
SEED = 900
ELEVATIONS_M = (0, 30, 200, 400, 1000, 1609, 2200)


def bare_queries() -> tuple[str, ...]:
    """What the rival runs."""
    from lowambient.records import inputs

    columns = inputs.TABLES["readings"].columns()
    margins = ", ".join(
        f"avg({name}), min({name}), max({name})" for name in inputs.CHANNELS if columns[name].dtype == pl.Float64()
    )
    return (
        f"select unit_id, circuit, count(*), {margins} from in_readings group by unit_id, circuit",
        "select unit_id, circuit, sum(starts) from (select unit_id, circuit, (liquid_kpa > 1.4 * suction_kpa and not"
        " lag(liquid_kpa > 1.4 * suction_kpa) over (partition by unit_id, circuit order by read_at))::int as starts"
        " from in_readings) group by unit_id, circuit",
    )


def made_kinds(kinds: int) -> Iterator["Made"]:
    """Different circuits of about 100,000 readings each."""
    from trace_maker import drawn, made_of

    orders = []
    for index in range(kinds):
        order, logging_s = drawn(SEED, index), INTERVALS_S[index % len(INTERVALS_S)]
        days = ROWS_A_CIRCUIT * logging_s / 86400
        orders.append(replace(order, plan=replace(order.plan, logging_s=logging_s, days=days)))
    for begin in range(0, kinds, MADE_AT_ONCE):
        yield from (made for _, made in made_of(orders[begin : begin + MADE_AT_ONCE]))


def pool_of(folder: Path, kinds: int) -> None:
    """Readings, lists and weather of so many circuits, one file of each kind; left alone where they are there."""
    from lowambient.records import inputs
    from lowambient.refrigerant.pressure import barometric_kpa
    from lowambient.traces.listing import TAKEN

    folder.mkdir(parents=True, exist_ok=True)
    if (folder / "units.parquet").exists():
        return
    units, weather = [], []
    for no, made in enumerate(made_kinds(kinds)):
        made.frame.select("read_at", *inputs.CHANNELS).write_parquet(folder / f"{no}.parquet")
        listed = {name: value for name, value in asdict(made.listed).items() if name in (*TAKEN, "refrigerant")}
        near = [abs(barometric_kpa(each) - made.listed.barometric_kpa) for each in ELEVATIONS_M]
        units.append({"no": no, "site_id": str(ELEVATIONS_M[int(np.argmin(near))]), **listed})
        weather.append(hourly(made.frame).select(pl.lit(str(no)).alias("station_id"), pl.all()))
    pl.concat(weather).write_parquet(folder / "weather.parquet")
    pl.DataFrame(units, infer_schema_length=None).write_parquet(folder / "units.parquet")


def hourly(frame: pl.DataFrame) -> pl.DataFrame:
    """The station's hours: hour, temperature_c, wind_m_s."""
    first = frame.select(pl.col("read_at").dt.round("1h").dt.replace_time_zone(None).alias("hour"),
                         temperature_c="station_c", wind_m_s="station_wind_m_s")  # fmt: skip
    return first.drop_nulls().group_by("hour").first().sort("hour")


def fill(store: "Store", folder: Path, circuits: int) -> tuple[pl.DataFrame, pl.DataFrame]:
    """A store with so many circuits, each a unit of its own; its unit and site list."""
    from lowambient.records import inputs

    kinds = pl.read_parquet(folder / "units.parquet")
    columns = ", ".join(("read_at", *inputs.CHANNELS))
    for number in range(circuits):
        readings = folder / f"{number % kinds.height}.parquet"
        store.connection.execute(
            f"insert into raw_readings (unit_id, circuit, file_no, record, {columns})"
            f" select 'U-{number:05d}', '1', 1, 0, {columns} from read_parquet('{readings}')"
        )
    names = pl.DataFrame({"unit_id": [f"U-{n:05d}" for n in range(circuits)]})
    units = names.with_columns(no=pl.arange(circuits, eager=True) % kinds.height).join(kinds, on="no", how="left")
    store.put("unit_station", units.select("unit_id", station_id=pl.col("no").cast(pl.String)))
    store.put("weather_hours", pl.read_parquet(folder / "weather.parquet"))
    sites = pl.DataFrame({"site_id": list(map(str, ELEVATIONS_M)), "elevation_m": list(map(float, ELEVATIONS_M))})
    missing = [name for name in inputs.TABLES["units"].column_names() if name not in units.columns]
    return units.drop("no").with_columns(pl.lit(None).alias(name) for name in missing), sites


class Peak:
    """Most memory, MB, of this process and its children together, looked at twenty times a second while inside."""

    def __enter__(self) -> "Peak":
        self.mb, self._ended = 0.0, threading.Event()
        self._watch = threading.Thread(target=self._look)
        self._watch.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ended.set()
        self._watch.join()

    def _look(self) -> None:
        while not self._ended.wait(0.05):
            self.mb = max(self.mb, sum(map(_resident_mb, _family(os.getpid()))))


def _family(pid: int) -> list[int]:
    found = [pid]
    for task in Path(f"/proc/{pid}/task").glob("*/children"):
        try:
            children = task.read_text().split()
        except OSError:
            continue
        found += [each for child in children for each in _family(int(child))]
    return found


def _resident_mb(pid: int) -> float:
    """Private and shared memory in use, the latter counted in every process that shares it."""
    try:
        text = Path(f"/proc/{pid}/status").read_text()
    except OSError:
        return 0.0
    return next((int(line.split()[1]) / 1024 for line in text.splitlines() if line.startswith("VmRSS")), 0.0)


@dataclass
class Timed:
    """Seconds by the clock and by the processors, of this process and the children that ended in between."""

    wall_s: float = 0.0
    busy_s: float = 0.0

    def __enter__(self) -> "Timed":
        self.wall_s, self.busy_s = self.wall_s - time.perf_counter(), self.busy_s - _busy_s()
        return self

    def __exit__(self, *_: object) -> None:
        self.wall_s, self.busy_s = self.wall_s + time.perf_counter(), self.busy_s + _busy_s()

    def __str__(self) -> str:
        return f"{self.wall_s:.2f} s ({self.busy_s:.2f} s of processors)"


def _busy_s() -> float:
    spent = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(each.ru_utime + each.ru_stime for each in spent)


def timed(millions: float, pool: Path) -> tuple[float, float]:
    """Ratio of the analysis to the bare scan, and the peak memory in MB."""
    from lowambient.judgement import traced
    from lowambient.store import Store

    with tempfile.TemporaryDirectory() as folder, Store(Path(folder) / "b.duckdb", threads=os.cpu_count()) as store:
        units, sites = fill(store, pool, round(millions * 1e6 / ROWS_A_CIRCUIT))
        store.checkpoint()
        rows = store.query("select count(*) as n from in_readings").item()
        bare, ours = Timed(), Timed()
        for query in bare_queries():
            with bare:
                store.connection.execute(query).fetchall()
        with Peak() as peak, ours:
            found = traced(store, units, sites)
    ratio = ours.wall_s / bare.wall_s
    print(
        f"{rows / 1e6:.2f} M readings, {units.height} circuits: bare {bare}, analysis {ours},"
        f" {rows / ours.wall_s / 1e6:.2f} M/s, {found['trips'].height} trips; ratio {ratio:.2f}"
        f" (processors {ours.busy_s / bare.busy_s:.2f}), peak {peak.mb:,.0f} MB",
        flush=True,
    )
    return ratio, peak.mb


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("millions", type=float, nargs="*", default=[1.0, 10.0])
    parser.add_argument("--kinds", type=int, default=48)
    parser.add_argument("--pool", type=Path, help="folder that keeps the circuits made")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        pool = options.pool or Path(folder)
        pool_of(pool, options.kinds)
        ratio, peak_mb = [timed(each, pool) for each in options.millions][-1]
    sys.exit(int(ratio > BAR_RATIO or peak_mb > BAR_MB))


if __name__ == "__main__":
    main()
