"""Reading of notes scored on fleets with notes of the second grammar: `python tests/long/words.py --seeds 201-206`.

Prints what the product reaches beside a classifier trained on planted truth of other seeds (the ceiling), keyword
rules, and TF-IDF with k-means: mean over seeds with a 95 % interval (Student's t over seeds). Development seeds are
1-6; 201-206 are for the last figure. Training takes minutes and is kept under `--cache`.
"""

import argparse
import hashlib
import importlib
import pickle
import sys
import tempfile
import time
from collections import Counter, defaultdict
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl

sys.path.insert(0, str(Path(__file__).parents[1]))

import note_maker
import service_maker
import word_scores as score
from note_maker import STATEMENTS, SYMPTOMS
from scipy import stats
from service_maker import make

from lowambient import reference
from lowambient.calls.clusters import cluster_calls
from lowambient.calls.cold_calls import cold_probabilities

TRAINING_SEEDS = range(901, 907)  # neither scored nor developed on
Figures = dict[tuple[str, str], float]


@dataclass(frozen=True)
class Seen:
    """One fleet as every reader is given it, with its truth in the same order."""

    calls: pl.DataFrame
    truth: pl.DataFrame

    def told(self) -> np.ndarray:
        """Calls whose note says something, right or wrong."""
        return (self.truth["kind"] != "almost nothing").to_numpy()


def seen(seed: int, units: int) -> Seen:
    """A fleet of one seed; its unit ids carry the seed, so that fleets can be put together."""
    service = make(seed, units=units)
    calls = score.with_weather(service)
    calls = calls.join(_cold_of_units(service, calls), on="call_id").sort("call_id")
    calls = calls.with_columns(unit_id=pl.format("{}-{}", pl.lit(seed), "unit_id"))
    return Seen(calls, service.truth.sort("call_id"))


def _cold_of_units(service: service_maker.Service, calls: pl.DataFrame) -> pl.DataFrame:
    """What the store gives each call besides: starve ambient and coldest demand hour of the 24 h before [degC]."""
    thresholds = {name: row.value for name, row in reference.thresholds().items()}

    def looked_up(table: str, column: str) -> pl.Expr:
        known = {row[column]: thresholds[row["threshold"]] for row in reference.rows(table) if row["threshold"]}
        return pl.col(column).cast(pl.String).fill_null("").replace_strict(known, default=None, return_dtype=pl.Float64)

    limits = service.units.select(
        "unit_id",
        starve_ambient_c=looked_up("starve_ambients", "head_control"),
        demand_from_c=looked_up("demand", "duty").fill_null(-273.15),
    )
    opened = calls.select("call_id", "unit_id", "station_id", hour=pl.col("opened_at").dt.truncate("1h")).join(
        limits, on="unit_id"
    )
    hours = pl.DataFrame({"back": range(24)})
    wanted = opened.join(hours, how="cross").with_columns(pl.col("hour") - pl.duration(hours="back"))
    met = wanted.join(service.weather.select("station_id", "hour", "temperature_c"), on=["station_id", "hour"])
    coldest = (
        met.filter(pl.col("temperature_c") >= pl.col("demand_from_c"))
        .group_by("call_id")
        .agg(outdoor_min_c=pl.col("temperature_c").min())
    )
    return opened.select("call_id", "starve_ambient_c").join(coldest, on="call_id", how="left")


def trained(cache: Path, units: int) -> score.Trained:
    """The ceiling's classifiers, fitted once for each state of the grammar."""
    sources = [Path(module.__file__ or "").read_bytes() for module in (note_maker, service_maker, score)]
    path = cache / f"words_ceiling_{units}_{hashlib.sha256(b''.join(sources)).hexdigest()[:12]}.pickle"
    if path.exists():
        return pickle.loads(path.read_bytes())
    began = time.perf_counter()
    fleets = [seen(seed, units) for seed in TRAINING_SEEDS]
    calls, truth = (pl.concat([getattr(fleet, part) for fleet in fleets]) for part in ("calls", "truth"))
    model = score.Trained(calls, truth)
    cache.mkdir(parents=True, exist_ok=True)
    path.write_bytes(pickle.dumps(model))
    print(f"ceiling trained on {calls.height} calls in {time.perf_counter() - began:.0f} s", file=sys.stderr)
    return model


# --- readers ----------------------------------------------------------------------------------------------------


def classes_scored(figures: Figures, reader: str, fleet: Seen, symptom: list[str | None]) -> None:
    """Figures of symptom classes: against the planted cause, and against the cause that the note names."""
    cause, given = fleet.truth["cause"].to_numpy(), np.array([name or "none" for name in symptom])
    told = fleet.told()
    figures["symptom F1", reader] = score.class_f1(cause.tolist(), given.tolist())
    figures["symptom F1, notes that say something", reader] = score.class_f1(cause[told].tolist(), given[told].tolist())
    named = fleet.truth["named"]
    figures["symptom F1, cause that the note names", reader] = score.class_f1(
        named.drop_nulls().to_list(), given[named.is_not_null().to_numpy()].tolist()
    )
    figures["shared information, symptom as cluster", reader] = score.shared_information(given.tolist(), cause.tolist())


def statements_scored(figures: Figures, reader: str, fleet: Seen, given: np.ndarray) -> None:
    """Figures of statements: against what happened, and against what the note says."""
    happened, stated = (score.statement_flags(fleet.truth[part]) for part in ("statements", "stated"))
    figures["statement F1", reader] = score.statement_f1(happened, given)
    figures["statement F1, of what the note says", reader] = score.statement_f1(stated, given)
    for name, value in score.f1_by_statement(stated, given).items():
        figures[f"  {name}", reader] = value


def baselines(figures: Figures, fleet: Seen, model: score.Trained) -> None:
    """Ceiling and floors of one fleet."""
    said = model.says(fleet.calls)
    texts, cold = score.texts_of(fleet.calls), fleet.truth["is_cold_lockout"].to_numpy()
    cause = fleet.truth["cause"].to_list()
    classes_scored(figures, "ceiling", fleet, list(said.symptom))
    statements_scored(figures, "ceiling", fleet, said.statements)
    figures["shared information of clusters", "ceiling"] = score.shared_information(said.symptom_with_weather, cause)
    figures["symptom F1, words and weather", "ceiling"] = score.class_f1(cause, said.symptom_with_weather)
    figures["cold lockout, average precision", "ceiling"] = score.average_precision(cold, said.cold_probability)
    symptom = score.keyword_symptoms(texts)
    classes_scored(figures, "keywords", fleet, list(symptom))
    statements_scored(figures, "keywords", fleet, score.keyword_statements(texts))
    figures["cold lockout, average precision", "keywords"] = score.average_precision(
        cold, score.keyword_cold(symptom, fleet.calls["outdoor_c"].to_numpy())
    )
    clusters = score.plain_clusters(texts)
    figures["shared information of clusters", "k-means"] = score.shared_information(clusters, cause)


def product(figures: Figures, fleet: Seen, cut: float) -> tuple[list[str | None], np.ndarray] | None:
    """Figures of the product, as far as it is built; its symptoms and statements for the list of mistakes."""
    try:
        words = importlib.import_module("lowambient.calls.words")
    except ModuleNotFoundError:
        return None
    inputs = fleet.calls.select([name for name in CALL_COLUMNS if name in fleet.calls.columns])
    symptoms, statements = words.read_words(inputs)
    symptom = _in_order(fleet, symptoms, "symptom")
    classes_scored(figures, "product", fleet, symptom)
    flags = _flags_of(fleet, statements, cut)
    statements_scored(figures, "product", fleet, flags)
    _clusters(figures, fleet, symptoms)
    return symptom, flags


CALL_COLUMNS = (
    "call_id", "unit_id", "opened_at", "closed_at", "work_type", "complaint", "finding", "action", "technician",
    "labour_h", "status",
)  # fmt: skip


def _in_order(fleet: Seen, frame: pl.DataFrame, column: str) -> list[str | None]:
    joined = fleet.calls.select("call_id").join(
        frame.select("call_id", pl.col(column).cast(pl.String)), on="call_id", how="left", maintain_order="left"
    )
    if joined.height != fleet.calls.height:
        raise ValueError(f"{joined.height} rows for {fleet.calls.height} calls: call_id is repeated")
    return joined[column].to_list()


def _flags_of(fleet: Seen, statements: pl.DataFrame, cut: float) -> np.ndarray:
    likely = statements.filter(pl.col("probability") >= cut)
    made = set(likely.select("call_id", pl.col("statement").cast(pl.String)).iter_rows())
    return np.array([[(call, name) in made for name in STATEMENTS] for call in fleet.calls["call_id"].to_list()])


def _clusters(figures: Figures, fleet: Seen, symptoms: pl.DataFrame) -> None:
    """Clusters and cold probability."""
    calls = fleet.calls.rename({"change_24h_k": "outdoor_change_k"})
    cause, cold = fleet.truth["cause"].to_list(), fleet.truth["is_cold_lockout"].to_numpy()
    assigned, _ = cluster_calls(calls, symptoms)
    given = _in_order(fleet, assigned, "cluster")
    figures["shared information of clusters", "product"] = score.shared_information(given, cause)
    likely = cold_probabilities(calls.join(symptoms, on="call_id"))
    probability = np.array([float(value or 0.0) for value in _in_order(fleet, likely, "cold_probability")])
    figures["cold lockout, average precision", "product"] = score.average_precision(cold, probability)


# --- printing ----------------------------------------------------------------------------------------------------


def interval(values: list[float]) -> str:
    """Mean over seeds with half the width of its 95 % interval."""
    mean = float(np.mean(values))
    if len(values) < 2:
        return f"{mean:.3f}"
    half = stats.t.ppf(0.975, len(values) - 1) * np.std(values, ddof=1) / np.sqrt(len(values))
    return f"{mean:.3f} ±{half:.3f}"


def _both(figures: Figures, row: str) -> bool:
    return (row, "product") in figures and figures.get((row, "ceiling"), 0.0) > 0


def print_table(by_seed: list[Figures]) -> None:
    """One line a figure, one column a reader, and the product as a share of the ceiling."""
    readers = ("product", "ceiling", "keywords", "k-means")
    rows = list(dict.fromkeys(row for figures in by_seed for row, _ in figures))
    print(f"{'':42}" + "".join(f"{name:>15}" for name in (*readers, "of ceiling")))
    for row in rows:
        values = {reader: [f[row, reader] for f in by_seed if (row, reader) in f] for reader in readers}
        cells = [interval(values[reader]) if values[reader] else "" for reader in readers]
        shares = [f[row, "product"] / f[row, "ceiling"] for f in by_seed if _both(f, row)]
        print(f"{row:42}" + "".join(f"{cell:>15}" for cell in (*cells, interval(shares) if shares else "")))


def print_mistakes(fleet: Seen, symptom: list[str | None], flags: np.ndarray, notes: int) -> None:
    """Where the product reads another class than the note names, and statements missed or made up."""
    named = fleet.truth["named"].to_list()
    pairs = [(n, s or "none") for n, s in zip(named, symptom, strict=True) if n]
    print("\nnamed in the note, read by the product, notes")
    for (true, given), count in Counter(pair for pair in pairs if pair[0] != pair[1]).most_common(20):
        print(f"  {true:24}{given:24}{count:5}")
    stated = score.statement_flags(fleet.truth["stated"])
    print("statement, missed, made up, of")
    for at, name in enumerate(STATEMENTS):
        missed, invented = stated[:, at] & ~flags[:, at], flags[:, at] & ~stated[:, at]
        print(f"  {name:24}{missed.sum():5}{invented.sum():5}{stated[:, at].sum():6}")
    texts, shown = score.texts_of(fleet.calls), defaultdict(int)
    for text, true, given in zip(texts, named, symptom, strict=True):
        if notes and true and true != given and shown[true] < notes:
            shown[true] += 1
            print(f"  [{true} read as {given}] {text}")
    for at, name in enumerate(STATEMENTS):
        for kind, wrong in (("missed", stated[:, at] & ~flags[:, at]), ("made up", flags[:, at] & ~stated[:, at])):
            for row in np.flatnonzero(wrong)[:notes]:
                print(f"  [{name} {kind}] {texts[row]}")


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", default="1-6", help="first-last, or one")
    parser.add_argument("--units", type=int, default=180, help="units of each scored fleet; about 18 calls each")
    parser.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()), help="where the ceiling is kept")
    parser.add_argument("--cut", type=float, default=0.5, help="probability from which a statement counts as made")
    parser.add_argument("--no-ceiling", action="store_true", help="product alone")
    parser.add_argument("--mistakes", action="store_true", help="counts of the product's mistakes on the last seed")
    parser.add_argument("--notes", type=int, default=0, help="with --mistakes: print so many notes of each kind")
    wanted = parser.parse_args()
    first, _, last = wanted.seeds.partition("-")
    model = None if wanted.no_ceiling else trained(wanted.cache, wanted.units)
    by_seed: list[Figures] = []
    for seed in range(int(first), int(last or first) + 1):
        fleet, figures = seen(seed, wanted.units), Figures()
        read = product(figures, fleet, wanted.cut)
        if model:
            baselines(figures, fleet, model)
        by_seed.append(figures)
        print(f"seed {seed}: {fleet.calls.height} calls", file=sys.stderr)
    print_table(by_seed)
    if read is None:
        print("the product does not read words yet")
    elif wanted.mistakes:
        print_mistakes(fleet, *read, wanted.notes)
    unknown = {name for name in (read[0] if read else []) if name not in SYMPTOMS}
    if unknown:
        print(f"symptoms that are no class of the grammar count as missed: {sorted(map(str, unknown))}")


if __name__ == "__main__":
    main()
