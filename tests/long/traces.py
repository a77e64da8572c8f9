"""Trace analysis scored on generated circuits: `python tests/long/traces.py --seeds 1-8 --circuits 40`.

Makes circuits (kept under `--cache`), analyses each, prints every score by logging interval with 90 % binomial
intervals, and lists the circuits that went worst.
"""

import argparse
import hashlib
import multiprocessing
import os
import pickle
import statistics
import sys
import time
import traceback
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

os.environ.setdefault("POLARS_MAX_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parents[1]))

from trace_maker import INTERVALS_S, Made, drawn, made_of
from trace_scores import (
    SetPoint,
    Tally,
    TripScore,
    as_judged,
    binomial_interval,
    score_behaviour,
    score_changes,
    score_lockouts,
    score_set_points,
    score_trips,
    trip_counts,
)

SWITCHES = ("lp cut-out", "lp reset", "fan on", "fan off", "hp cut-out")
LABELS = {10: "10 s", 30: "30 s", 60: "1 min", 300: "5 min"}


@dataclass
class Result:
    """Scores of one circuit."""

    name: str
    interval_s: int
    note: str
    trips: TripScore = field(default_factory=lambda: TripScore(Tally(), Tally()))
    counts: tuple[int, int] = (0, 0)
    lockouts: Tally = field(default_factory=Tally)
    shown_lockouts: Tally = field(default_factory=Tally)
    strict_lockouts: Tally = field(default_factory=Tally)
    set_points: list[SetPoint] = field(default_factory=list)
    behaviour: list[tuple[str, str, float]] = field(default_factory=list)
    changes: Tally = field(default_factory=Tally)
    seconds: float = 0.0
    rows: int = 0
    error: str | None = None


def seeds_in(text: str) -> list[int]:
    """`1-8` or `1,3,5`."""
    out = []
    for part in text.split(","):
        first, _, last = part.partition("-")
        out += range(int(first), int(last or first) + 1)
    return out


def pool_of(processes: int) -> ProcessPoolExecutor:
    """Fresh processes: a fork of one that has polars' threads hangs."""
    return ProcessPoolExecutor(processes, mp_context=multiprocessing.get_context("spawn"))


def cached(folder: Path, seed: int, index: int) -> Path:
    return folder / f"{seed}-{index}.pickle"


def make_all(folder: Path, wanted: list[tuple[int, int]], processes: int) -> None:
    """Makes what is not in the cache yet, in one run of the physics for each process."""
    folder.mkdir(parents=True, exist_ok=True)
    sources = [Path(__file__).parents[1] / name for name in ("trace_maker.py", "trace_physics.py")]
    digest = hashlib.sha256(b"".join(path.read_bytes() for path in sources)).hexdigest()
    note = folder / "maker.sha256"
    if note.exists() and note.read_text() != digest:
        print(f"{folder} was made by another version of the maker: delete it for a report", file=sys.stderr)
    elif not note.exists():
        note.write_text(digest)
    missing = [pair for pair in wanted if not cached(folder, *pair).exists()]
    if not missing:
        return
    began = time.perf_counter()
    shares = [(folder, missing[part::processes]) for part in range(processes) if missing[part::processes]]
    with pool_of(processes) as pool:
        list(pool.map(_make_share, shares))
    print(f"made {len(missing)} circuits in {time.perf_counter() - began:.0f} s", file=sys.stderr)


def _make_share(share: tuple[Path, list[tuple[int, int]]]) -> None:
    folder, wanted = share
    for index, made in made_of([drawn(*pair) for pair in wanted]):
        path = cached(folder, *wanted[index])
        half = path.with_suffix(".half")
        half.write_bytes(pickle.dumps(made, protocol=pickle.HIGHEST_PROTOCOL))
        half.rename(path)


def described(made: Made) -> str:
    order, plan = made.order, made.order.plan
    faults = ",".join(name for name, *_ in order.sensing.faults)
    changes = ",".join(f"{what}@{day:g}" for day, what in order.changes)
    what = f"{plan.refrigerant} {plan.control} {order.duty} {order.climate} {plan.days:g}d"
    return f"{what} changes[{changes}] faults[{faults}]"


def scored(path: Path) -> Result:
    """One cached circuit, analysed and scored; an exception of the analysis is a result, and is printed."""
    from lowambient.traces.analysis import analyse

    made: Made = pickle.loads(path.read_bytes())
    result = Result(made.name, made.interval_s, described(made), rows=made.frame.height)
    began = time.perf_counter()
    try:
        found = analyse(made.frame, made.listed)
        result.seconds = time.perf_counter() - began
        made = as_judged(made, found.faults)
        result.trips = score_trips(found.trips, made)
        result.counts = trip_counts(found.trips, made)
        result.lockouts = score_lockouts(found.lockouts, made)
        result.shown_lockouts = score_lockouts(found.lockouts, made, shown=True)
        result.strict_lockouts = score_lockouts(found.lockouts, made, strict=True)
        result.set_points = score_set_points(found.set_points, made)
        result.behaviour = score_behaviour(found.head_pressure, made)
        result.changes = score_changes(found.head_pressure, made)
    except Exception:
        result.error = traceback.format_exc()
    return result


def share_text(right: int, of: int) -> str:
    if not of:
        return "-"
    lower, upper = binomial_interval(right, of)
    return f"{right / of:.3f} ({lower:.3f}-{upper:.3f}, {of})"


def tally_lines(title: str, pick: Callable[[Result], Tally]) -> Callable[[list[Result]], list[tuple[str, str]]]:
    def lines(results: list[Result]) -> list[tuple[str, str]]:
        total = sum((pick(result) for result in results), Tally())
        return [
            (f"{title} recall", share_text(total.right, total.right + total.missed)),
            (f"{title} precision", share_text(total.right, total.right + total.false)),
        ]

    return lines


def trips_by_circuit(results: list[Result]) -> list[tuple[str, str]]:
    """Circuits count alike here, however often they trip."""
    recalls = [r.trips.plain.recall for r in results if r.trips.plain.recall is not None]
    false = sum(r.trips.plain.false > 0 for r in results)
    return [
        ("trips recall, mean of circuits", f"{statistics.mean(recalls):.3f} ({len(recalls)})" if recalls else "-"),
        ("circuits without a false trip", share_text(len(results) - false, len(results))),
    ]


def set_point_lines(results: list[Result]) -> list[tuple[str, str]]:
    lines = []
    for switch in SWITCHES:
        points = [point for result in results for point in result.set_points if point.switch == switch]
        told = [point for point in points if point.error_psi is not None]
        held = [point for point in told if point.holds is not None]
        errors = [abs(point.error_psi) for point in told]
        both = [point for point in told if point.listed_error_psi is not None]
        listed = [abs(point.listed_error_psi) for point in both]
        own = [abs(point.error_psi) for point in both]
        bias = [point.error_psi for point in told]
        lines += [
            (f"{switch}: told of shown", share_text(len(told), len(points))),
            (
                f"{switch}: median |error|, psi (bias)",
                f"{statistics.median(errors):.2f} ({statistics.median(bias):+.2f})" if errors else "-",
            ),
            (f"{switch}: interval holds truth", share_text(sum(point.holds for point in held), len(held))),
            (f"{switch}: median width, psi", f"{statistics.median(p.width_psi for p in held):.1f}" if held else "-"),
            (
                f"{switch}: where listed, own against list, psi",
                f"{statistics.median(own):.2f} / {statistics.median(listed):.2f} ({len(both)})" if both else "-",
            ),
        ]
    return lines


def behaviour_lines(results: list[Result]) -> list[tuple[str, str]]:
    answers = [answer for result in results for answer in result.behaviour]
    told = [answer for answer in answers if answer[1] != "cannot tell"]
    return [
        ("behaviour right where answered", share_text(sum(true == found for true, found, _ in told), len(told))),
        ("behaviour cannot tell", share_text(len(answers) - len(told), len(answers))),
    ]


def brief_bound(results: list[Result]) -> list[tuple[str, str]]:
    brief = sum((r.trips.brief for r in results), Tally())
    bounded = [r.counts[0] <= r.counts[1] for r in results if r.trips.brief.right + r.trips.brief.missed]
    return [
        ("brief trips found", share_text(brief.right, brief.right + brief.missed)),
        ("found number is a lower bound", share_text(sum(bounded), len(bounded))),
    ]


BLOCKS: tuple[Callable[[list[Result]], list[tuple[str, str]]], ...] = (
    tally_lines("trips", lambda r: r.trips.plain),
    trips_by_circuit,
    brief_bound,
    tally_lines("lockouts over 30 min", lambda r: r.lockouts),
    lambda results: tally_lines("of these, run before outlasts 2", lambda r: r.shown_lockouts)(results)[:1],
    tally_lines("the same, unseen runs part them too", lambda r: r.strict_lockouts),
    set_point_lines,
    behaviour_lines,
    tally_lines("changes within 2 days", lambda r: r.changes),
)


def print_table(results: list[Result]) -> None:
    groups = {LABELS[s]: [r for r in results if r.interval_s == s] for s in INTERVALS_S} | {"all": results}
    columns = {name: [line for block in BLOCKS for line in block(group)] for name, group in groups.items()}
    names = [name for name, _ in columns["all"]]
    print("\n" + " | ".join([f"{'score':<46}", *(f"{name + f' ({len(groups[name])})':<26}" for name in groups)]))
    for row, name in enumerate(names):
        print(" | ".join([f"{name:<46}", *(f"{columns[group][row][1]:<26}" for group in groups)]))


def print_confusion(results: list[Result]) -> None:
    table = Counter((true, found) for result in results for true, found, _ in result.behaviour)
    print("\ntrue behaviour -> found")
    for (true, found), number in sorted(table.items()):
        print(f"  {true:<16} -> {found:<16} {number}")


def print_worst(results: Iterable[Result], most: int) -> None:
    faults = defaultdict(list)
    for r in results:
        if r.error:
            faults["errors"].append((1, r, r.error.strip().splitlines()[-1]))
        for name, tally in (("trips", r.trips.plain), ("lockouts", r.lockouts), ("changes", r.changes)):
            if tally.missed + tally.false:
                text = f"right {tally.right} missed {tally.missed} false {tally.false}"
                faults[name].append((tally.missed + tally.false, r, text))
        for true, found, hours in r.behaviour:
            if found not in (true, "cannot tell"):
                faults["behaviour"].append((hours, r, f"true {true}, found {found}, {hours:.0f} cold h"))
        for p in r.set_points:
            if p.error_psi is not None and (p.holds is False or abs(p.error_psi) > 6):
                text = f"error {p.error_psi:+.1f} width {p.width_psi or 0:.1f} events {p.events}"
                faults[p.switch].append((abs(p.error_psi), r, text))
    for name, rows in faults.items():
        print(f"\nworst: {name} ({len(rows)} circuits)")
        for _, r, text in sorted(rows, key=lambda row: -row[0])[:most]:
            print(f"  {r.name:<8} {LABELS[r.interval_s]:<6} {text:<46} {r.note}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", default="1-8")
    parser.add_argument("--circuits", type=int, default=40)
    parser.add_argument("--cache", type=Path, default=Path(".cache/traces"))
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--worst", type=int, default=12)
    parser.add_argument("--make-only", action="store_true")
    options = parser.parse_args()
    wanted = [(seed, index) for seed in seeds_in(options.seeds) for index in range(options.circuits)]
    make_all(options.cache, wanted, options.processes)
    if options.make_only:
        return
    began = time.perf_counter()
    with pool_of(options.processes) as pool:
        results = list(pool.map(scored, [cached(options.cache, *pair) for pair in wanted], chunksize=4))
    rows = sum(result.rows for result in results)
    busy = sum(result.seconds for result in results)
    print_table(results)
    print_confusion(results)
    print_worst(results, options.worst)
    spent = time.perf_counter() - began
    print(f"\n{len(results)} circuits, {rows:,} rows, {busy:.0f} s of analysis, {spent:.0f} s in all")
    errors = [result for result in results if result.error]
    if errors:
        print(f"\n{len(errors)} circuits raised; the first:\n{errors[0].error}")
        sys.exit(1)


if __name__ == "__main__":
    main()
