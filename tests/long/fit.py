"""Moves the numbers that flags are weighed with towards those that say most of generated fleets, one at a time.

    python tests/long/fit.py --work FOLDER --world 311-318 --demo 31-38 [--only TEXT] [--rounds 1]
    python tests/long/fit.py --work FOLDER --world 311-318 --demo 31-38 --calls

FOLDER holds fleets that `tests/long/flags.py --work FOLDER` made and judged. Each number is tried at some multiples of
itself; one is taken only where it lowers the loss of both kinds of fleet, so that no habit of one maker is learned.
`reference/` is not changed: what was found is printed, to be rounded and written there by hand.

Loss of a fleet: log loss of "recurring now", of "head control out now" and of "this call was a cold lockout", and
the Poisson deviance of next winter's calls, each over its value at the start, averaged.

With --calls: the logistic calibration of the probability that a call was a cold lockout, both kinds weighing alike.
"""

import argparse
import sys
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import polars as pl
from sklearn.linear_model import LogisticRegression
from sklearn.metrics import log_loss

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))
sys.path.insert(0, str(HERE))

from flag_scores import Planted, average_precision, poisson_deviance  # noqa: E402
from flags import MAKERS, first_winter  # noqa: E402

from lowambient import judgement, reference  # noqa: E402
from lowambient.flags.call_causes import call_causes, regressors, uncalibrated  # noqa: E402
from lowambient.flags.conditions import states_now  # noqa: E402
from lowambient.flags.judging import learn_records  # noqa: E402
from lowambient.flags.recurrence import calls_a_year, recurring  # noqa: E402
from lowambient.flags.sources import COLD, sources  # noqa: E402
from lowambient.profile import load_profile  # noqa: E402
from lowambient.store import Store  # noqa: E402

Rows = tuple[dict[str, str], ...]
Frames = Mapping[str, pl.DataFrame]

MULTIPLES = (0.6, 1.6)
GAIN = 0.001
"""Share by which the loss of each kind of fleet must fall."""
KEPT_LOW = 1e-3
AS_WRITTEN = reference.rows


@dataclass(frozen=True)
class Number:
    """One number: a column of the rows of a table in which every column of `where` has its value."""

    table: str
    where: tuple[tuple[str, str], ...]
    column: str
    most: float = np.inf

    def __str__(self) -> str:
        return f"{self.table}[{', '.join(value for _, value in self.where)}].{self.column}"

    def times(self, rows: Rows, multiple: float) -> Rows:
        """The table with the number multiplied."""
        return tuple(self._row(row, multiple) for row in rows)

    def _row(self, row: dict[str, str], multiple: float) -> dict[str, str]:
        if not row[self.column] or any(row[name] != value for name, value in self.where):
            return row
        return row | {self.column: repr(min(float(row[self.column]) * multiple, self.most))}


NUMBERS = (
    *(
        Number("flag_numbers", (("name", name),), "value", most)
        for name, most in (
            ("cold calls count", np.inf),
            ("other calls count", np.inf),
            ("share that returns", 0.9),
            ("returns after", np.inf),
            ("same words", 0.95),
            ("ordinary calls before", np.inf),
            ("cold words before", np.inf),
            ("kinds before", np.inf),
            ("working control mends", 1.0),
            ("none fitted mends", 1.0),
            ("level redrawn", np.inf),
            ("near reset", np.inf),
            ("elsewhere", np.inf),
            ("bands alike", np.inf),
        )
    ),
    *(Number("condition_kinds", (("kind", "head_control"),), name, 0.95) for name in ("lost",)),
    *(Number("condition_kinds", (("kind", "head_control"),), name) for name in ("begins_per_year", "ends_per_year")),
    Number("condition_kinds", (("kind", "duty"),), "harmless", 0.97),
    *(Number("visit_effects", (("condition", COLD), ("sign_kind", "work")), name, 0.9) for name in ("ends", "begins")),
    Number("visit_effects", (("condition", COLD), ("sign_kind", "statement")), "odds"),
    Number("visit_effects", (("condition", COLD), ("sign_kind", "statement")), "ends", 0.98),
    *(
        Number("trace_weights", (("name", name),), "value")
        for name in ("follows ambient", "held", "cycling", "logged per call", "logged otherwise", "most days a week")
    ),
    Number("condition_levels", (("condition", COLD), ("control", "works")), "share"),
    *(Number("condition_levels", (("condition", COLD), ("calls_per_1000_h", each)), "share") for each in ("0.5", "15")),
    Number("fitted_odds", (("sign", "listed"),), "odds"),
    Number("fitted_odds", (("sign", "listed none"),), "odds"),
    Number("thresholds", (("name", "lockout_spells_per_call"),), "value"),
)

Changes = tuple[tuple[Number, float], ...]


def with_changes(changes: Changes) -> None:
    """Makes `reference.rows` answer as if the numbers were written so."""

    def rows(table: str) -> Rows:
        found = AS_WRITTEN(table)
        for number, multiple in changes:
            if number.table == table:
                found = number.times(found, multiple)
        return found

    reference.rows = rows  # type: ignore[assignment]
    for cached in (reference.numbers, reference.thresholds, sources):
        cached.cache_clear()


def losses(fleet: tuple[str, Path], changes: Changes) -> np.ndarray:
    """The four losses of one fleet under some changes."""
    with_changes(changes)
    frames, planted = _read(*fleet)
    thresholds = {name: each.value for name, each in reference.thresholds().items()}
    known, fitted, _, extra, learnt = learn_records(frames, thresholds)
    source = sources()[COLD]
    now, a_year = states_now(known, learnt, source, extra.get(COLD)), calls_a_year(known, source)
    served = known.units["still_served"].fill_null(value=False).to_numpy()
    names = known.units["unit_id"].filter(pl.Series(served))
    recurs, out = (now * recurring(a_year, thresholds)).sum(axis=1)[served], (now @ source.lost * fitted)[served]
    causes = call_causes(known, learnt).join(planted.calls, on="call_id")
    return np.array(
        [
            _log_loss(planted.recurs(names), recurs),
            _log_loss(planted.has("head control out", names), out),
            _log_loss(causes["is_cold"].to_numpy(), causes["cold_probability"].to_numpy()),
            poisson_deviance(first_winter(planted, names), (now * a_year).sum(axis=1)[served]),
        ]
    )


def calls_seen(fleet: tuple[str, Path]) -> tuple[np.ndarray, np.ndarray]:
    """What the calibration of calls rests on, and what each call of one fleet was."""
    frames, planted = _read(*fleet)
    known, _, _, _, learnt = learn_records(frames, {name: each.value for name, each in reference.thresholds().items()})
    calls = known.calls
    cold = pl.DataFrame({"call_id": calls.call_id}).join(planted.calls, on="call_id", how="left", maintain_order="left")
    kept = calls.is_complaint & (calls.band >= 0) & cold["is_cold"].is_not_null().to_numpy()
    seen = regressors(known, uncalibrated(known, learnt))
    return seen[kept], cold["is_cold"].filter(pl.Series(kept)).to_numpy().astype(bool)


def print_calibration(fleets: list[tuple[str, Path]]) -> None:
    """Coefficients from all fleets, and the log loss of each fleet under those of the fleets of other parity."""
    with ProcessPoolExecutor(2, get_context("spawn")) as pool:
        data = list(pool.map(calls_seen, fleets))
    whole = _calibration(fleets, data)
    print("intercept", whole.intercept_.round(3), "log odds, neighbours, outdoor", whole.coef_.round(3))
    for parity in (0, 1):
        others = [at for at in range(len(data)) if at % 2 == parity]
        model = _calibration([fleets[at] for at in others], [data[at] for at in others])
        for at in set(range(len(data))) - set(others):
            seen, truth = data[at]
            odds = seen[:, 0]
            found = model.predict_proba(seen)[:, 1]
            before = _log_loss(truth, 1 / (1 + np.exp(-odds)))
            gain = f"AP {average_precision(truth, odds):.3f} to {average_precision(truth, found):.3f}"
            print(fleets[at][1].name, f"log loss {before:.3f} to {_log_loss(truth, found):.3f}", gain)


def _calibration(fleets: list[tuple[str, Path]], data: list[tuple[np.ndarray, np.ndarray]]) -> LogisticRegression:
    kinds = np.repeat([kind for kind, _ in fleets], [len(truth) for _, truth in data])
    weight = sum(np.where(kinds == kind, 1e4 / (kinds == kind).sum(), 0.0) for kind in np.unique(kinds))
    seen, truth = (np.concatenate(parts) for parts in zip(*data, strict=True))
    return LogisticRegression().fit(seen, truth, weight)


def _log_loss(truth: np.ndarray, probability: np.ndarray) -> float:
    return float(log_loss(truth, np.clip(probability, KEPT_LOW, 1 - KEPT_LOW), labels=[False, True]))


def _read(kind: str, folder: Path) -> tuple[Frames, Planted]:
    with Store(load_profile(folder / "fleet.toml").store, read_only=True) as store:
        return {name: store.frame(name, "all") for name in judgement.WEIGHED}, MAKERS[kind][1](folder)


def search(fleets: list[tuple[str, Path]], numbers: list[Number], rounds: int) -> Iterator[tuple[Number, float]]:
    """Numbers that helped both kinds of fleet, with the multiple that helped most."""
    with ProcessPoolExecutor(2, get_context("spawn")) as pool:
        taken: Changes = ()
        start = _all(pool, fleets, taken)
        best = _by_kind(fleets, start, start)
        for _ in range(rounds):
            for number in numbers:
                tried = {
                    multiple: _by_kind(fleets, _all(pool, fleets, (*taken, (number, multiple))), start)
                    for multiple in MULTIPLES
                }
                print(number, {multiple: loss.round(4).tolist() for multiple, loss in tried.items()}, flush=True)
                helps = {m: loss for m, loss in tried.items() if np.all(loss < best * (1 - GAIN))}
                if helps:
                    multiple = min(helps, key=lambda each: float(helps[each].mean()))
                    taken, best = (*taken, (number, multiple)), helps[multiple]
                    yield number, multiple


def _all(pool: ProcessPoolExecutor, fleets: list[tuple[str, Path]], changes: Changes) -> np.ndarray:
    return np.array(list(pool.map(partial(losses, changes=changes), fleets)))


def _by_kind(fleets: list[tuple[str, Path]], found: np.ndarray, start: np.ndarray) -> np.ndarray:
    """Loss of each kind of fleet over that at the start."""
    kinds = np.array([kind for kind, _ in fleets])
    return np.array(
        [(found[kinds == kind].mean(axis=0) / start[kinds == kind].mean(axis=0)).mean() for kind in np.unique(kinds)]
    )


def main() -> None:
    """The command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--work", type=Path, required=True)
    for kind in sorted(MAKERS):
        parser.add_argument(f"--{kind}", required=True, help="first-last")
    parser.add_argument("--only", default="", help="numbers whose name holds this")
    parser.add_argument("--calls", action="store_true")
    parser.add_argument("--rounds", type=int, default=1)
    asked = parser.parse_args()
    bounds: Callable[[str], list[int]] = lambda text: [int(each) for each in text.split("-")]  # noqa: E731
    fleets = []
    for kind in sorted(MAKERS):
        first, last = bounds(getattr(asked, kind))
        fleets += [(kind, asked.work / f"{kind}{seed}") for seed in range(first, last + 1)]
    if asked.calls:
        print_calibration(fleets)
        return
    numbers = [each for each in NUMBERS if asked.only in str(each)]
    for number, multiple in search(fleets, numbers, asked.rounds):
        print("TAKEN", number, "times", multiple, flush=True)


if __name__ == "__main__":
    main()
