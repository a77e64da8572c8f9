"""Loading long readings, checked, converted and set side by side, against DuckDB's bare `read_csv` into a table.

Run as `python tests/benchmarks/loading.py [MILLION_ROWS]`; both sides read the same file in the same run. Prints the
ratio for a clean file and for one with a few bad records; ends with 1 where the clean file
misses the ratio or either the memory.
"""

import os
import resource
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

import duckdb

BAR_RATIO = 2.5
BAR_MB = 3000.0
ROUNDS = 5
PROFILE = """
[fleet]
name = "Benchmark"
[[source]]
table = "sites"
files = "sites.csv"
[source.columns]
site_id = "site"
time_zone = "zone"
[[source]]
table = "units"
files = "units.csv"
[source.columns]
unit_id = "unit"
site_id = "site"
[[source]]
table = "readings"
layout = "long"
files = "long.csv"
time_zone = "UTC"
[source.columns]
unit_id = "unit"
circuit = "circuit"
read_at = "time"
channel = "channel"
value = "value"
[source.channels]
suction = { channel = "suction_kpa", unit = "psig" }
liquid = { channel = "liquid_kpa", unit = "psig" }
outdoor = { channel = "outdoor_c", unit = "°F" }
return = { channel = "return_air_c", unit = "°F" }
amps = { channel = "compressor_a" }
"""
BAD = "U-0001,1,2016-01-01 00:00:00,suction,broken\nU-9999,1,2016-01-01 00:00:00,suction,50\nU-0001,1,soon,suction,50\n"


def write(folder: Path, millions: float) -> None:
    """200 units, five channels, a reading a minute."""
    minutes = int(millions * 1e6 / 1000)
    (folder / "fleet.toml").write_text(PROFILE)
    (folder / "sites.csv").write_text("site,zone\nS,UTC\n")
    (folder / "units.csv").write_text("unit,site\n" + "".join(f"U-{n:04d},S\n" for n in range(200)))
    con = duckdb.connect()
    con.execute("set enable_progress_bar = false")
    con.execute(
        f"""copy (
            select
                'U-' || lpad(u::varchar, 4, '0') as unit, 1 as circuit,
                strftime(timestamp '2016-01-01' + to_seconds(60 * k), '%Y-%m-%d %H:%M:%S') as time, channel,
                round(20 + (hash(u * 1000003 + k * 17 + i) % 8000) / 100.0, 1) as value
            from range(200) as units (u), range({minutes}) as minutes (k),
            (values ('suction', 1), ('liquid', 2), ('outdoor', 3), ('return', 4), ('amps', 5)) as channels (channel, i)
        ) to '{folder / "long.csv"}' (header)"""
    )


def child_s(folder: Path, script: str) -> float:
    """Wall seconds that a script says it took, in a process of its own."""
    run = subprocess.run([sys.executable, "-c", script], cwd=folder, capture_output=True, text=True, check=True)
    return float(run.stdout.split()[-1])


BARE = """
import duckdb, pathlib, time
con = duckdb.connect("bare.duckdb")
con.execute("set enable_progress_bar = false")
started = time.perf_counter()
con.execute("create table readings as from read_csv('long.csv')")
con.close()
print(time.perf_counter() - started)
pathlib.Path("bare.duckdb").unlink()
"""
OURS = """
import pathlib, time
from lowambient import pipeline
started = time.perf_counter()
pipeline.load(pathlib.Path("fleet.toml"))
print(time.perf_counter() - started)
pathlib.Path("fleet.duckdb").unlink()
"""


def main() -> int:
    """Prints both sides for a clean file and for one with bad records: the median of rounds that take turns."""
    millions = float(sys.argv[1]) if len(sys.argv) > 1 else 20.0
    missed = False
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write(folder, millions)
        os.sync()  # else the first round also waits for the file to reach the disk
        bare_s = []
        for kind in ("clean", "three bad records"):
            ours_s, ratios = [], []
            for turn in range(ROUNDS):
                if kind == "clean":  # the bare reader stops at the first bad record
                    bare_s.append(child_s(folder, BARE))
                ours_s.append(child_s(folder, OURS))
                ratios.append(ours_s[turn] / bare_s[turn])
            peak_mb = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
            ratio = statistics.median(ratios)
            print(
                f"{millions:g} million long readings, {kind}: bare {statistics.median(bare_s):.1f} s, load"
                f" {statistics.median(ours_s):.1f} s, ratio {ratio:.2f} ({min(ratios):.2f} to {max(ratios):.2f};"
                f" bar {BAR_RATIO}), peak memory {peak_mb:.0f} MB (bar {BAR_MB:.0f})"
            )
            missed |= (kind == "clean" and ratio > BAR_RATIO) or peak_mb > BAR_MB
            with (folder / "long.csv").open("a") as file:
                file.write(BAD)
    return int(missed)


if __name__ == "__main__":
    sys.exit(main())
