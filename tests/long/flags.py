"""Scores flags, forecast and causes of calls on generated fleets of two kinds, with intervals over fleets.

    python tests/long/flags.py --kind world --seeds 311-318 [--work FOLDER]     the maker in tests/world
    python tests/long/flags.py --kind demo --seeds 31-38                        the maker of the demo, other seeds

Fleets of one call are each scored beside what spreadsheets get, and beside a classifier trained on the truth of the
others. Odd seeds send loggers to troubled units, even ones at random.
"""

import argparse
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import polars as pl
from scipy import stats

HERE = Path(__file__).resolve().parent
REPOSITORY = HERE.parents[1]
sys.path.insert(0, str(HERE.parent))

from flag_rivals import call_features, ceiling, count_ceiling, features, spreadsheets  # noqa: E402
from flag_scores import (  # noqa: E402
    Planted,
    average_precision,
    calibration_error,
    figures,
    poisson_deviance,
    probabilities,
)
from forecast_scores import reliability, spread_scores, weather_scores  # noqa: E402

from lowambient import judgement, pipeline  # noqa: E402
from lowambient.profile import load_profile  # noqa: E402
from lowambient.store import Store  # noqa: E402

CLIMATES_OF_DEMO = (("lakes", "highlands", "north"), ("lakes",), ("highlands", "lakes"), ("lakes", "north"))
NAMES_OF_DEMO = {"head control fans always on": "head control out", "head control fans stuck off": "condenser fan out"}
COLD_OF_DEMO = ("cold lockout", "cold short cycling")


def make_world(seed: int, folder: Path) -> None:
    """A fleet of tests/world."""
    loggers = "troubled" if seed % 2 else "random"
    _run("-m", "world", "--out", str(folder), "--seed", str(seed), "--loggers-go", loggers, where=HERE.parent)


def make_demo(seed: int, folder: Path) -> None:
    """A fleet of the demo's maker under another seed."""
    loggers = "troubled" if seed % 2 else "random"
    climates = CLIMATES_OF_DEMO[seed % len(CLIMATES_OF_DEMO)]
    options = ("--seed", str(seed), "--units", "200", "--loggers-go", loggers, "--climates", *climates)
    _run("generate.py", "--out", str(folder), *options, where=REPOSITORY / "demo_data")


def _run(*arguments: str, where: Path) -> None:
    subprocess.run([sys.executable, *arguments], cwd=where, check=True, stdout=subprocess.DEVNULL)


def planted_world(folder: Path) -> Planted:
    """The truth of tests/world."""
    read = _reader(folder)
    units, conditions = read("units"), read("conditions").rename({"condition": "flag"})
    winters = read("next_winter").rename({"cold_lockout_calls": "calls", "cold_spells_with_lockout": "spells"})
    return Planted(
        units=_logged(units.select("unit_id", floats=pl.col("head_control_fitted") == "floating"), read("loggers")),
        conditions=conditions,
        recurring=read("recurring").filter(pl.col("by") == "cold"),
        next_winter=_winters(winters),
        calls=read("calls").select(pl.col("call_id").cast(pl.String), is_cold=pl.col("is_cold_lockout")),
        ended=max(conditions["began_at"].max(), conditions["ended_at"].max()),
    )


def planted_demo(folder: Path) -> Planted:
    """The truth of the demo's maker."""
    read = _reader(folder)
    conditions = read("conditions").with_columns(flag=pl.col("condition").replace(NAMES_OF_DEMO))
    winters = read("next_winter").rename({"cold_calls": "calls", "cold_spells_with_lockout": "spells"})
    units = read("units").select("unit_id", floats=pl.col("head_control") == "floating")
    return Planted(
        units=_logged(units, read("loggers").filter(pl.col("kind") != "probe")),
        conditions=conditions,
        recurring=None,
        next_winter=_winters(winters),
        calls=read("calls").select(pl.col("call_id").cast(pl.String), is_cold=pl.col("cause").is_in(COLD_OF_DEMO)),
        ended=max(conditions["began_at"].max(), conditions["ended_at"].max()),
    )


def _reader(folder: Path) -> Callable[[str], pl.DataFrame]:
    ids = dict.fromkeys(("unit_id", "call_id", "circuit", "site_id"), pl.String)
    return lambda name: pl.read_csv(
        folder / "truth" / f"{name}.csv", infer_schema_length=None, try_parse_dates=True, schema_overrides=ids
    )


def _logged(units: pl.DataFrame, loggers: pl.DataFrame) -> pl.DataFrame:
    spans = loggers.group_by("unit_id").agg(logged_from=pl.col("began_at").min(), logged_to=pl.col("ended_at").max())
    return units.join(spans, on="unit_id", how="left").with_columns(is_logged=pl.col("logged_from").is_not_null())


def _winters(winters: pl.DataFrame) -> pl.DataFrame:
    first = pl.col("calls").filter(pl.col("winter") == 1).first()
    return winters.group_by("unit_id").agg(calls_1=first, calls=pl.col("calls").mean(), spells=pl.col("spells").mean())


MAKERS = {"world": (make_world, planted_world), "demo": (make_demo, planted_demo)}


def scored(kind: str, seed: int, work: Path) -> dict[str, object]:
    """One fleet: its figures, and what rivals are scored with."""
    make, planted_of = MAKERS[kind]
    folder = work / f"{kind}{seed}"
    if not (folder / "truth" / "units.csv").exists():
        make(seed, folder)
    profile = folder / "fleet.toml"
    pipeline.load(profile)
    pipeline.report(profile, folder / "out")
    with Store(load_profile(profile).store, read_only=True) as store:
        frames = {name: store.frame(name, "all") for name in judgement.WEIGHED}
        counts, states = store.frame("unit_counts", "unit_id"), store.frame("unit_states", "unit_id, state")
    tables = {
        name: pl.read_parquet(folder / "out" / "tables" / f"{name}.parquet") for name in ("flags", "calls", "forecast")
    }
    planted = planted_of(folder)
    units = frames["flag_units"].sort("unit_id")
    served = units["still_served"].fill_null(value=False).to_numpy()
    names = units["unit_id"].filter(pl.Series(served))
    came = planted.next_winter.select("unit_id", "calls_1")
    served_states = states.filter(pl.col("unit_id").is_in(names.implode()))
    more = spread_scores(counts, states, came)
    if (folder / "truth" / "next_winter_weather.csv").exists():
        more |= weather_scores(served_states, units, _reader(folder)("next_winter_weather"), came)
    lockout, out = (probabilities(tables["flags"], flag, names) for flag in ("cold lockout", "head control out"))
    logged = names.is_in(planted.units.filter("is_logged")["unit_id"].implode()).to_numpy()
    return {
        "figures": figures(tables | {"circuit_months": frames["circuit_months"]}, planted, names) | more,
        "reliability": {
            "recurring": (planted.recurs(names), lockout, logged),
            "head control out": (planted.has("head control out", names), out, logged),
        },
        "features": features(frames)[served],
        "targets": targets(planted, names),
        "came": first_winter(planted, names),
        "calls": _call_truth(*call_features(frames), planted),
        "sheets": {name: score[served] for name, score in spreadsheets(frames).items()},
    }


def targets(planted: Planted, units: pl.Series) -> dict[str, np.ndarray]:
    """What is ranked: truth by unit."""
    ever = planted.recurring
    return {
        **({} if ever is None else {"recurring ever AP": units.is_in(ever["unit_id"].unique().implode()).to_numpy()}),
        "recurring AP": planted.recurs(units),
        "locks out AP": first_winter(planted, units) > 0,
        "head control out AP": planted.has("head control out", units),
        "low charge AP": planted.has("low charge", units),
    }


def _call_truth(call_id: pl.Series, seen: np.ndarray, planted: Planted) -> tuple[np.ndarray, np.ndarray]:
    """Features and truth of the calls whose cause is known."""
    cold = pl.DataFrame({"call_id": call_id}).join(planted.calls, on="call_id", how="left", maintain_order="left")
    known = cold["is_cold"].is_not_null().to_numpy()
    return seen[known], cold["is_cold"].drop_nulls().to_numpy()


def first_winter(planted: Planted, units: pl.Series) -> np.ndarray:
    first = pl.DataFrame({"unit_id": units}).join(planted.next_winter, on="unit_id", how="left", maintain_order="left")
    return first["calls_1"].fill_null(0).to_numpy()


def with_rivals(fleets: dict[int, dict[str, object]]) -> pl.DataFrame:
    """Figures of all fleets, a row each, with those of the rivals."""
    rows = []
    for seed, fleet in fleets.items():
        row = {"seed": seed, **fleet["figures"]}
        for target, truth in fleet["targets"].items():
            others = [(each["features"], each["targets"][target]) for at, each in fleets.items() if at != seed]
            if others:
                row[f"{target}: ceiling"] = average_precision(truth, ceiling(others, fleet["features"]))
            if target in ("recurring AP", "locks out AP"):
                for name, score in fleet["sheets"].items():
                    row[f"{target}: {name}"] = average_precision(truth, score)
        told = [each["calls"] for at, each in fleets.items() if at != seed]
        if told:
            seen, truth = fleet["calls"]
            row["call AP: ceiling"] = average_precision(truth, ceiling(told, seen))
        others = [(each["features"], each["came"]) for at, each in fleets.items() if at != seed]
        if others:
            row["deviance: ceiling"] = poisson_deviance(fleet["came"], count_ceiling(others, fleet["features"]))
        row["deviance: calls of last winter"] = poisson_deviance(fleet["came"], fleet["sheets"]["calls of last winter"])
        rows.append(row)
    return pl.DataFrame(rows)


def table(rows: pl.DataFrame) -> str:
    """Mean and 95 % interval (Student's t) over fleets of every figure."""
    lines = [f"{'figure':58s} {'mean':>8s}  95 % over {rows.height} fleets"]
    for name in sorted(set(rows.columns) - {"seed"}):
        values = rows[name].cast(pl.Float64).fill_nan(None).drop_nulls().to_numpy()
        if len(values) == 0:
            continue
        half = (
            stats.t.ppf(0.975, len(values) - 1) * values.std(ddof=1) / np.sqrt(len(values))
            if len(values) > 1
            else np.nan
        )
        lines.append(f"{name:58s} {values.mean():8.3f}  {values.mean() - half:.3f} to {values.mean() + half:.3f}")
    return "\n".join(lines)


def pooled(fleets: dict[int, dict[str, object]]) -> str:
    """The reliability picture over all fleets, for all units, for logged ones and for the others."""
    lines = []
    for flag in ("recurring", "head control out"):
        truth, probability, logged = (
            np.concatenate([each["reliability"][flag][part] for each in fleets.values()]) for part in range(3)
        )
        for whose, of in (("all units", logged | ~logged), ("logged", logged), ("not logged", ~logged)):
            error = calibration_error(truth[of], probability[of])
            picture = reliability(truth[of], probability[of])
            bins = "  ".join(f"{count}: {said:.2f}/{true:.2f}" for count, said, true in picture)
            lines.append(f"{flag}, {whose}: pooled calibration error {error:.3f}; units: said/true {bins}")
    return "\n".join(lines)


def main() -> None:
    """The command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kind", choices=sorted(MAKERS), required=True)
    parser.add_argument("--seeds", required=True, help="first-last")
    parser.add_argument("--work", type=Path)
    asked = parser.parse_args()
    first, last = (int(each) for each in asked.seeds.split("-"))
    work = asked.work or Path(tempfile.mkdtemp(prefix="lowambient-"))
    fleets = {seed: scored(asked.kind, seed, work) for seed in range(first, last + 1)}
    rows = with_rivals(fleets)
    rows.write_csv(work / f"{asked.kind}_figures.csv")
    print(table(rows))
    print(pooled(fleets))


if __name__ == "__main__":
    main()
