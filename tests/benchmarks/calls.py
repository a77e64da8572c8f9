"""Words, callbacks and rates of a million calls, as a multiple of a bare TF-IDF vectorising of the same texts.

Run as `python tests/benchmarks/calls.py [UNITS] [--clusters CALLS]` (default 55500 units, about 1,040,000 calls, and
clusters of 200,000). An invented fleet with notes of the second grammar is written to a temporary folder; then each of
these runs in a process of its own, so that memory is that process's peak, or while notes are read its own and that
of the processes beside it (one a core, at most four), whichever is more:

- rival: scikit-learn's TfidfVectorizer, as it comes, on complaint, finding and action put together;
- ours: `read_words`, the marts up to `callback_windows` in a DuckDB file (1.2 GB), callback rates on both clocks,
  first-time fix, time to callback;
- clusters of a part of the calls, with the steps it tells of.

Ends with 1 where ours takes over 3 times the rival's time or 4 GB.
"""

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import polars as pl

sys.path.insert(0, str(Path(__file__).parents[1]))

BAR_RATIO, BAR_GB = 3.0, 4.0
READERS = min(os.cpu_count() or 1, 4)
BEFORE = ("weather_hours", "span", "months", "unit_station", "unit_service")
LIMITS = ("low_pressure_calls", "contradicted_duty")
CALLBACKS = (
    *("exposure_classes", "demand_hours", "call_weather", "work_done", "retrofits", "service_tickets", "service_calls"),
    *("watched_calls", "cold_clock", "earlier_calls", "callbacks", "callback_windows"),
)


def write_fleet(folder: Path, units: int) -> None:
    """The input tables of an invented fleet as Parquet."""
    from service_maker import make

    service = make(21, units=units)
    for name in ("sites", "units", "calls", "weather"):
        getattr(service, name).write_parquet(folder / f"{name}.parquet")


def rival(folder: Path) -> dict[str, float]:
    """Seconds of TF-IDF."""
    from sklearn.feature_extraction.text import TfidfVectorizer

    fields = ("complaint", "finding", "action")
    calls = pl.read_parquet(folder / "calls.parquet", columns=list(fields))
    texts = calls.select(pl.concat_str(fields, separator=" ", ignore_nulls=True).fill_null("")).to_series().to_list()
    began = time.perf_counter()
    TfidfVectorizer().fit_transform(texts)
    return {"calls": len(texts), "TF-IDF": time.perf_counter() - began}


def ours(folder: Path) -> dict[str, float]:
    """Seconds of words, callbacks and rates."""
    from memory_store import MemoryStore

    from lowambient.calls.words import read_words
    from lowambient.judgement import reference_frame
    from lowambient.plan.callback_rates import callback_rates, first_time_fix, time_to_callback
    from lowambient.plan.demand import unit_limits

    names = ("sites", "units", "weather")
    given = {name: pl.read_parquet(folder / f"{name}.parquet") for name in names}
    store = MemoryStore(given, path=folder / "fleet.duckdb")
    store.connection.execute(f"set memory_limit = '1.2GB'; set temp_directory = '{folder / 'spilled'}'")
    store.connection.execute(f"insert into in_calls by name from '{folder / 'calls.parquet'}'")
    del given
    for name in ("related_symptoms", "cold_symptoms", "work_kinds"):
        store.put(name, reference_frame(name))
    taken = {}
    began = time.perf_counter()
    wanted = "call_id, complaint, finding, action, work_type"
    symptoms, statements = read_words(store.connection.sql(f"select {wanted} from in_calls").pl(), processes=READERS)
    taken["words"] = time.perf_counter() - began
    taken["GB while reading"] = _peak(resource.RUSAGE_SELF) + READERS * _peak(resource.RUSAGE_CHILDREN)
    store.put("call_symptoms", symptoms)
    store.put("call_statements", statements)
    del symptoms, statements
    began = time.perf_counter()
    store.build(*BEFORE, *LIMITS)
    sites, units = store.frame("in_sites"), store.frame("in_units")
    store.put("unit_limits", unit_limits(units, sites, store.thresholds, store.frame("contradicted_duty")))
    store.build(*CALLBACKS)
    taken["callbacks"] = time.perf_counter() - began
    began = time.perf_counter()
    windows = store.frame("callback_windows")
    callback_rates(windows, store.thresholds)
    first_time_fix(windows, store.thresholds)
    time_to_callback(windows)
    return taken | {"rates": time.perf_counter() - began}


def clusters(folder: Path, count: int) -> dict[str, float]:
    """Seconds of clustering some of the calls."""
    from lowambient.calls.clusters import cluster_calls
    from lowambient.calls.words import read_words

    calls = pl.read_parquet(folder / "calls.parquet").head(count)
    symptoms, _ = read_words(calls)
    began = time.perf_counter()
    _, found = cluster_calls(
        calls, symptoms, lambda text, done, total: print(f"  {done}/{total} {text}", file=sys.stderr)
    )
    return {"calls": calls.height, "clusters": len(found), "clustering": time.perf_counter() - began}


def in_process(step: str, folder: Path, count: int) -> dict[str, float]:
    """What a step measured, in a process of its own, and the memory that it came to [GB]."""
    command = [sys.executable, __file__, str(count), "--step", step, "--folder", str(folder)]
    return dict(json.loads(subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True).stdout))


def measured(step: str, folder: Path, count: int) -> dict[str, float]:
    """One step, in this process."""
    if step == "fleet":
        write_fleet(folder, count)
        return {}
    found = clusters(folder, count) if step == "clusters" else {"rival": rival, "ours": ours}[step](folder)
    spent = sum(sum(resource.getrusage(who)[:2]) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return found | {"CPU": spent, "GB": max(_peak(resource.RUSAGE_SELF), found.get("GB while reading", 0.0))}


def _peak(whose: int) -> float:
    """Most memory that this process, or the largest of those beside it, has come to [GB]."""
    return resource.getrusage(whose).ru_maxrss / 1e6


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("units", nargs="?", type=int, default=55_500)
    parser.add_argument("--clusters", type=int, default=200_000)
    parser.add_argument("--step", help=argparse.SUPPRESS)
    parser.add_argument("--folder", type=Path, help=argparse.SUPPRESS)
    wanted = parser.parse_args()
    if wanted.step:
        print(json.dumps(measured(wanted.step, wanted.folder, wanted.units)))
        return
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        in_process("fleet", folder, wanted.units)
        bare, own = (in_process(step, folder, wanted.units) for step in ("rival", "ours"))
        grouped = in_process("clusters", folder, wanted.clusters)
    seconds = own["words"] + own["callbacks"] + own["rates"]
    ratio, memory = seconds / bare["TF-IDF"], own["GB"]
    print(f"{bare['calls']:,.0f} calls; bare TF-IDF {bare['TF-IDF']:.1f} s, {bare['GB']:.2f} GB")
    print(", ".join(f"{name} {own[name]:.1f} s" for name in ("words", "callbacks", "rates")) + f": {seconds:.1f} s")
    print(f"ratio {ratio:.2f} (bar {BAR_RATIO}); of processor time, all told, {own['CPU'] / bare['CPU']:.2f}")
    print(f"{memory:.2f} GB (bar {BAR_GB}), {READERS} processes reading")
    print(f"clusters of {grouped['calls']:,.0f} calls: {grouped['clustering']:.1f} s, {grouped['GB']:.2f} GB")
    sys.exit(ratio > BAR_RATIO or memory > BAR_GB)


if __name__ == "__main__":
    main()
