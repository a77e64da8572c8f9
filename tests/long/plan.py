"""Is the plan's money right? Predicted avoided calls, and the value of what is chosen, against worlds of known future.

    python tests/long/plan.py --seeds 401-404 [--work FOLDER]

Each world of tests/world lives five winters more, once as it was left and once with a sound head control everywhere
(`next_winter.csv`, `next_winter_fixed.csv`). The difference, times the effect and reach that the plan takes for the
package and the true cause, is what head-control work would truly avoid. Only head-control packages are compared: the
set that the plan chooses, the best that could be chosen knowing the truth, that of a classifier trained on the truth of
the other worlds (the ceiling), and lists that a spreadsheet ranks, each within the same money. A list gets the cheapest
package that its unit list allows on each unit, from the top down.
"""

import argparse
import sys
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import polars as pl

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent), str(HERE)]

from flag_rivals import ceiling, count_ceiling, features, spreadsheets  # noqa: E402
from flags import make_world  # noqa: E402

from lowambient import judgement, pipeline  # noqa: E402
from lowambient.plan.benefits import cause_share  # noqa: E402
from lowambient.plan.bids import Bids, Fleet, bids  # noqa: E402
from lowambient.plan.call_costs import call_costs  # noqa: E402
from lowambient.plan.choice import Offers, best_set  # noqa: E402
from lowambient.plan.chosen import choose  # noqa: E402
from lowambient.plan.conditions import CAUSES, CONTROL_OUT, NO_CONTROL  # noqa: E402
from lowambient.plan.options import FAN_CYCLING, FAN_SPEED, FLOODED, RECONNECT  # noqa: E402
from lowambient.plan.preseason import likelihoods  # noqa: E402
from lowambient.plan.retrofit import fleet_of  # noqa: E402
from lowambient.profile import load_profile  # noqa: E402
from lowambient.store import Store  # noqa: E402

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

HEAD = (RECONNECT, FAN_CYCLING, FAN_SPEED, FLOODED)
SHARES = (0.25, 0.5, 1.0)
"""Budgets, as shares of what the plan would spend on head control without one."""


@dataclass(frozen=True)
class Truth:
    """By unit, in the order of the plan's: calls a winter as left and with a sound control, and the true cause."""

    left: Array
    fixed: Array
    cause: npt.NDArray[np.intp]
    out: Flags

    @property
    def avoidable(self) -> Array:
        """Calls a winter that a sound control would do away with."""
        return self.left - self.fixed


def truth_of(folder: Path, units: pl.Series) -> Truth:
    """From the files of a world."""

    def read(name: str) -> pl.DataFrame:
        frame = pl.read_csv(folder / "truth" / f"{name}.csv", infer_schema_length=None)
        return frame.with_columns(pl.col("unit_id").cast(pl.String))

    def aligned(frame: pl.DataFrame, column: str) -> pl.Series:
        joined = pl.DataFrame({"unit_id": units}).join(frame, on="unit_id", how="left", maintain_order="left")
        return joined[column]

    def calls(name: str) -> Array:
        mean = read(name).group_by("unit_id").agg(pl.col("cold_lockout_calls").mean())
        return aligned(mean, "cold_lockout_calls").fill_null(0.0).to_numpy()

    fitted = aligned(read("units"), "head_control_fitted").fill_null("none")
    conditions = read("conditions")
    out = conditions.filter(pl.col("condition").is_in([CONTROL_OUT, NO_CONTROL]), pl.col("ended_at").is_null())
    has = ~fitted.is_in(["none", "floating"]).to_numpy()
    cause = np.where(has, CAUSES.index(CONTROL_OUT), CAUSES.index(NO_CONTROL))
    is_out = units.is_in(out["unit_id"].unique().implode()).to_numpy()
    return Truth(calls("next_winter"), calls("next_winter_fixed"), cause, is_out)


@dataclass(frozen=True)
class World:
    """A judged world: the plan's fleet, the same with every head-control package that the unit list allows, the truth,
    what each package would truly avoid, which share of a unit's calls it avoids (unit, package, cause), and what
    classifiers and spreadsheets see."""

    fleet: Fleet
    allowed: Flags
    truth: Truth
    avoided: Array
    share: Array
    features: Array
    sheets: dict[str, Array]


def judged(seed: int, work: Path) -> World:
    """Makes and judges a world, unless the folder holds it."""
    folder = work / f"world{seed}"
    if not (folder / "truth" / "units.csv").exists():
        make_world(seed, folder)
    path = folder / "fleet.toml"
    pipeline.load(path)
    pipeline.report(path, folder / "out")
    profile = load_profile(path)
    with Store(profile.store, read_only=True) as store:
        given = judgement.plan_inputs(store, profile, judgement.input_frame(store, "units"))
        frames = {name: store.frame(name, "all") for name in judgement.WEIGHED}
    costs = call_costs(given.calls, given.units, given.sites, given.costs, given.thresholds)
    fleet = fleet_of(given, costs)[0]
    whatever = {**given.thresholds, "option_least_probability": 0.0, "lp_jumpered_likely": 2.0}
    allowed = fleet_of(replace(given, thresholds=whatever), costs)[0].fits & _head(fleet)
    truth = truth_of(folder, fleet.facts["unit_id"])
    every = np.arange(fleet.facts.height)
    share = np.stack([cause_share(each, fleet.known.beside, every) for each in fleet.effects], axis=1)
    avoided = share[every, :, truth.cause] * fleet.reach * truth.avoidable[:, None]
    order = frames["flag_units"].sort("unit_id")["unit_id"]
    placed = {name: _placed(fleet.facts["unit_id"], order, score) for name, score in spreadsheets(frames).items()}
    seen = _placed(fleet.facts["unit_id"], order, features(frames))
    return World(fleet, allowed, truth, avoided, share, seen, placed)


def _placed(units: pl.Series, order: pl.Series, score: Array) -> Array:
    place = {unit: at for at, unit in enumerate(order)}
    return np.array([score[place[unit]] for unit in units])


def _head(fleet: Fleet) -> Flags:
    return np.array([bool(set(package.names) & set(HEAD)) for package in fleet.packages])[None, :]


def planned(world: World, budget: float) -> Flags:
    """The plan's own choice among head-control packages: unit by package."""
    found = head_bids(world)
    return choose(found, replace(_no_limits(), budget=None if np.isinf(budget) else budget), 0.005)[1]


def head_bids(world: World) -> Bids:
    """The plan's bids, head control alone."""
    fits = world.fleet.fits & _head(world.fleet)
    return bids(replace(world.fleet, fits=fits))


def _no_limits():
    from lowambient.profile import PlanLimits

    return PlanLimits()


def best(world: World, value: Array, budget: float) -> Flags:
    """The most of `value` (calls avoided, unit by package) within the money: unit by package."""
    fleet = world.fleet
    sites, site = np.unique(fleet.facts["site_id"].to_numpy(), return_inverse=True)
    unit, package = np.nonzero(world.allowed & (value > 1e-9))
    given = Offers(
        unit,
        site[unit],
        value[unit, package],
        fleet.cost[unit, package],
        fleet.hours[unit, package],
        np.zeros(len(sites)),
        np.full(len(sites), fleet.drive_cost),
        np.zeros(len(sites)),
    )
    choice = best_set(given, budget, np.inf, 0.005)
    chosen = np.zeros(world.allowed.shape, dtype=bool)
    chosen[unit[choice.chosen], package[choice.chosen]] = True
    return chosen


def foreseen(world: World, others: list[World]) -> Array:
    """Calls avoided, unit by package, as classifiers foresee them that have seen the truth of other worlds."""
    calls = count_ceiling([(each.features, each.truth.avoidable.clip(0)) for each in others], world.features)
    no_control = CAUSES.index(NO_CONTROL)
    none = ceiling([(each.features, each.truth.cause == no_control) for each in others], world.features)[:, None]
    share = none * world.share[:, :, no_control] + (1 - none) * world.share[:, :, CAUSES.index(CONTROL_OUT)]
    return np.asarray(share * world.fleet.reach * calls[:, None])


def listed(world: World, score: Array, budget: float) -> Flags:
    """From the top of a list down, the cheapest package of each unit, while money lasts; equals by unit."""
    fleet, spent = world.fleet, 0.0
    seen: set[str] = set()
    chosen = np.zeros(world.allowed.shape, dtype=bool)
    cost = np.where(world.allowed, fleet.cost, np.inf)
    for unit in np.argsort(-score, kind="stable"):
        package = int(cost[unit].argmin())
        site = fleet.facts["site_id"][int(unit)]
        price = cost[unit, package] + (0.0 if site in seen else fleet.drive_cost)
        if score[unit] > 0 and spent + price <= budget:
            chosen[unit, package] = True
            spent += price
            seen.add(site)
    return chosen


def spent(world: World, chosen: Flags) -> float:
    """Cost of a set with its driving."""
    unit, package = np.nonzero(chosen)
    sites = set(world.fleet.facts["site_id"].to_numpy()[unit])
    return float(world.fleet.cost[unit, package].sum() + len(sites) * world.fleet.drive_cost)


def bias(world: World) -> dict[str, float]:
    """Predicted over true, for all that the plan would do about head control, and step by step where it comes from."""
    found = head_bids(world)
    chosen = planned(world, np.inf)
    unit, package = np.nonzero(chosen)
    known, truth = world.fleet.known, world.truth
    head = known.causes[:, [CAUSES.index(CONTROL_OUT), CAUSES.index(NO_CONTROL)]].sum(axis=1)
    return {
        "units chosen": len(unit),
        "of them truly without a working control": int(truth.out[unit].sum()),
        "avoided, predicted": float(found.avoided[unit, package].sum()),
        "avoided, true": float(world.avoided[unit, package].sum()),
        "calls of the chosen, predicted": float((known.expected + known.background)[unit].sum()),
        "calls of the chosen, true": float(truth.left[unit].sum()),
        "by head control, predicted": float((known.expected * head)[unit].sum()),
        "by head control, true": float(truth.avoidable[unit].sum()),
        "low charge, mean probability": float(known.causes[unit, CAUSES.index("low charge")].mean())
        if len(unit)
        else 0.0,
        "calls of the fleet, predicted": float((known.expected + known.background).sum()),
        "calls of the fleet, true": float(truth.left.sum()),
        "by head control in the fleet, predicted": float((known.expected * head).sum()),
        "by head control in the fleet, true": float(truth.avoidable.sum()),
    } | checks(world)


def checks(world: World) -> dict[str, float]:
    """Units that the whole plan sends a pre-season check to: calls avoided by the work that it leads to."""
    fleet, truth = world.fleet, world.truth
    found = bids(fleet)
    chosen = choose(found, _no_limits(), 0.005)[1]
    like, sound = likelihoods(), len(CAUSES)
    others = np.array([at for at in range(len(fleet.packages)) if at != fleet.check])
    predicted = true = 0.0
    for place, unit in enumerate(found.checked_rows):
        if not chosen[unit, fleet.check]:
            continue
        predicted += found.avoided[unit, fleet.check]
        is_so = truth.cause[unit] if truth.out[unit] else sound
        for result, package in enumerate(found.check.chosen[place]):
            if package >= 0:
                true += like[result, is_so] * world.avoided[unit, others[package]]
    return {"by checks, predicted": float(predicted), "by checks, true": float(true)}


def captured(world: World, others: list[World]) -> dict[str, float]:
    """True value of each way to choose, as a share of the best, by budget."""
    ahead = foreseen(world, others) if others else None
    whole = spent(world, planned(world, np.inf))
    answer = {}
    for share in SHARES:
        budget = share * whole
        ways = {
            "plan": planned(world, budget),
            **({} if ahead is None else {"ceiling": best(world, ahead, budget)}),
            **{name: listed(world, score, budget) for name, score in world.sheets.items()},
        }
        top = float(world.avoided[best(world, world.avoided, budget)].sum())
        for name, chosen in ways.items():
            answer[f"{name}, {share:.0%} of the money"] = (
                float(world.avoided[chosen].sum()) / top if top > 0 else np.nan
            )
    return answer


def main() -> None:
    """The command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", required=True, help="first-last")
    parser.add_argument("--work", type=Path)
    asked = parser.parse_args()
    first, last = (int(each) for each in asked.seeds.split("-"))
    work = asked.work or Path(tempfile.mkdtemp(prefix="lowambient-"))
    worlds = {seed: judged(seed, work) for seed in range(first, last + 1)}
    rows: list[dict[str, float]] = []
    for seed, world in worlds.items():
        others = [other for at, other in worlds.items() if at != seed]
        rows.append({"seed": seed, **bias(world), **captured(world, others)})
    for name in rows[0]:
        values = [row[name] for row in rows]
        each = "".join(f"{value:9.2f}" if name != "seed" else f"{value:9d}" for value in values)
        total = f"{np.nanmean(values):9.2f}" if name != "seed" else "     mean"
        print(f"{name:52s}{each}{total}")


if __name__ == "__main__":
    main()
