"""How fast saturation runs inside DuckDB, against CoolProp and copying: `python tests/benchmarks/saturation.py`.

Both sides run in one go on the same machine. Prints each ratio with its bar; ends with 1 when a bar is missed.
"""

import sys
import time
from collections.abc import Callable
from pathlib import Path

import duckdb
import numpy as np
from CoolProp.CoolProp import PropsSI

from lowambient.refrigerant.names import canonical_name
from lowambient.refrigerant.saturation import refrigerant_frame, saturation_bins

MACROS = Path(__file__).parents[2] / "queries" / "macros" / "saturation.sql"
ROWS = 10_000_000
LOWEST_KPA, HIGHEST_KPA = 200.0, 2000.0
ROUNDS = 5
# fmt: off
FLEET = [
    "R-22", "R-32", "R-134a", "R-290", "R-404A",
    "R-407A", "R-407C", "R-407F", "R-410A", "R-422D",
    "R-427A", "R-448A", "R-449A", "R-450A", "R-452A",
    "R-452B", "R-454A", "R-454B", "R-454C", "R-455A",
    "R-507A", "R-513A", "R-515B", "R-1234yf", "R-1234ze(E)",
]
# fmt: on

JOIN = "left join saturation_bins as bin on bin.saturation_bin = saturation_bin"
COPY = "select pressure_kpa from readings"
SINGLE = "select bubble_c(bin, pressure_kpa) as bubble_c from readings {join}({number}, pressure_kpa)"
FLEET_BOTH = (
    "select bubble_c(bin, pressure_kpa) as bubble_c, dew_c(bin, pressure_kpa) as dew_c "
    f"from readings {JOIN}(readings.refrigerant_no, pressure_kpa)"
)


def main() -> int:
    """Measures, prints, and returns the exit code."""
    connection = prepared()
    numbers = dict(refrigerant_frame().select("refrigerant", "refrigerant_no").iter_rows())
    copied = rows_per_s(connection, COPY)
    single = {
        name: rows_per_s(connection, SINGLE.format(join=JOIN, number=numbers[name]))
        for name in ("R-22", "R-407C", "R-454B")
    }
    fleet = rows_per_s(connection, FLEET_BOTH)
    ratios = [
        ("R-22 over a PropsSI loop", single["R-22"] / looped("R22", 20_000), 1500),
        ("R-22 over one PropsSI array call", single["R-22"] / arrayed("R22", 400_000), 10),
        ("R-407C over a PropsSI loop", single["R-407C"] / looped("R407C", 20_000), 250),
        ("R-454B over a PropsSI loop", single["R-454B"] / looped("R454B.mix", 1_000), 5000),
        ("R-22 over copying one column", single["R-22"] / copied, 0.15),
        ("fleet of 25, bubble and dew, over R-22 bubble", fleet / single["R-22"], 1 / 3),
    ]
    rates = f"copy {copied / 1e6:.0f}, R-22 {single['R-22'] / 1e6:.0f}, fleet {fleet / 1e6:.0f}"
    print(f"{ROWS:,} pressures into a table, millions a second: {rates}")
    for what, ratio, bar in ratios:
        print(f"{what:48} {ratio:10,.2f}  bar {bar:8,.2f}  {'met' if ratio >= bar else 'MISSED'}")
    return 0 if all(ratio >= bar for _, ratio, bar in ratios) else 1


def prepared() -> duckdb.DuckDBPyConnection:
    """An in-memory store with the bins, the macros and a table of pressures over the fleet's refrigerants."""
    connection = duckdb.connect()
    connection.execute("set enable_progress_bar = false")
    for name, frame in (("saturation_bins", saturation_bins()), ("refrigerants", refrigerant_frame())):
        connection.register("frame", frame)
        connection.execute(f"create table {name} as select * from frame")
        connection.unregister("frame")
    connection.execute(MACROS.read_text(encoding="utf-8"))
    wanted = ", ".join(f"'{canonical_name(name)}'" for name in FLEET)
    connection.execute(
        f"create table fleet as select refrigerant_no, row_number() over (order by refrigerant_no) - 1 as place "
        f"from refrigerants where refrigerant in ({wanted})"
    )
    connection.execute("select setseed(0.5)")
    connection.execute(
        f"create table readings as select refrigerant_no, {LOWEST_KPA} + {HIGHEST_KPA - LOWEST_KPA} * random() "
        f"as pressure_kpa from range({ROWS}) as rows(row) join fleet on place = row % {len(FLEET)}"
    )
    return connection


def rows_per_s(connection: duckdb.DuckDBPyConnection, query: str) -> float:
    """Best of several rounds of filling a table with the query's rows."""
    return ROWS / fastest(lambda: connection.execute(f"create or replace table answer as {query}"))


def looped(fluid: str, calls: int) -> float:
    """Bubble temperatures a second from one `PropsSI` call each; a call that fails counts as one."""

    def loop() -> None:
        for pressure_pa in pressures_pa(calls):
            try:
                PropsSI("T", "P", pressure_pa, "Q", 0, fluid)
            except ValueError:
                continue

    return calls / fastest(loop)


def arrayed(fluid: str, values: int) -> float:
    """Bubble temperatures a second from one `PropsSI` call with an array."""
    pressure_pa = pressures_pa(values)
    quality = np.zeros(values)
    return values / fastest(lambda: PropsSI("T", "P", pressure_pa, "Q", quality, fluid))


def pressures_pa(count: int) -> np.ndarray:
    """Pressures of the same range as the table's, Pa."""
    return np.random.default_rng(0).uniform(1000 * LOWEST_KPA, 1000 * HIGHEST_KPA, count)


def fastest(work: Callable[[], object]) -> float:
    """Seconds of the fastest round: what other work on the machine takes is left out on both sides."""
    seconds = []
    for _ in range(ROUNDS):
        started = time.perf_counter()
        work()
        seconds.append(time.perf_counter() - started)
    return min(seconds)


if __name__ == "__main__":
    sys.exit(main())
