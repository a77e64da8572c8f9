"""What share of the avoidable cold calls each option avoids: judged beforehand, moved by the fleet's own record."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy import stats

from lowambient import reference
from lowambient.plan.conditions import BESIDE, CAUSES
from lowambient.plan.options import Option, Package

Array = npt.NDArray[np.float64]

_NODES = 400
_TWO_SIDED_95 = 1.959964


@dataclass(frozen=True)
class Effect:
    """A share as Beta(`alpha`, `beta`)."""

    alpha: float
    beta: float

    @property
    def mean(self) -> float:
        """Expected share [-]."""
        return self.alpha / (self.alpha + self.beta)

    @property
    def square(self) -> float:
        """Expected square of the share [-]."""
        total = self.alpha + self.beta
        return self.mean * (self.alpha + 1) / (total + 1)

    @classmethod
    def of(cls, mean: float, square: float) -> "Effect":
        """The beta distribution of that mean and mean square."""
        variance = max(square - mean**2, 1e-9)
        total = max(mean * (1 - mean) / variance - 1, 1e-6)
        return cls(mean * total, (1 - mean) * total)


def option_effects(
    every: Mapping[str, Option],
    follow_up_by_work: pl.DataFrame,
    background_share: float,
    reach: Mapping[str, float],
    thresholds: Mapping[str, float],
) -> pl.DataFrame:
    """The effect of each option on each condition that it answers, before and after the fleet's own record.

    Grain: option, condition. Columns: `prior_mean`, `prior_alpha`, `prior_beta`; `work`, `repairs`, `ratio`, `lower`,
    `upper`: the fleet's record as in `follow_up_by_work`, null where there is none or too little; `mean`, `alpha`,
    `beta`: what the plan uses; `source`.

    Where calls after are `ratio` times those expected untreated, ratio = 1 - (1 - background_share) * effect * reach:
    the background goes on, and below its lowest ambient an option does less (`reach`, mean over the fleet, by option).
    The logarithm of the ratio found is taken as normal about the true one, with the standard deviation that its
    interval shows; that likelihood counts `follow_up_weight`, and what comes of it is put as the beta distribution of
    its mean and variance. A prior mean that the profile sets keeps its weight, and is moved in the same way.
    """
    records = {row["work"]: row for row in follow_up_by_work.iter_rows(named=True)}
    rows = []
    for row in reference.rows("option_effects"):
        option = every[row["option"]]
        mean, weight = option.effect if option.effect is not None else float(row["mean"]), float(row["weight"])
        prior = Effect(mean * weight, (1 - mean) * weight)
        record = _enough(records.get(option.work), thresholds["follow_up_least_expected"])
        factor = (1 - background_share) * reach.get(option.name, 1.0)
        posterior = prior if record is None else _moved(prior, record, factor, thresholds["follow_up_weight"])
        rows.append(
            {
                "option": option.name,
                "condition": row["condition"],
                "prior_mean": prior.mean,
                "prior_alpha": prior.alpha,
                "prior_beta": prior.beta,
                "work": option.work or None,
                **{name: None if record is None else record[name] for name in ("repairs", "ratio", "lower", "upper")},
                "mean": posterior.mean,
                "alpha": posterior.alpha,
                "beta": posterior.beta,
                "source": "profile" if option.effect is not None else row["source"],
            }
        )
    return pl.DataFrame(rows, schema=COLUMNS)


COLUMNS = {
    "option": pl.String,
    "condition": pl.String,
    "prior_mean": pl.Float64,
    "prior_alpha": pl.Float64,
    "prior_beta": pl.Float64,
    "work": pl.String,
    "repairs": pl.Int64,
    "ratio": pl.Float64,
    "lower": pl.Float64,
    "upper": pl.Float64,
    "mean": pl.Float64,
    "alpha": pl.Float64,
    "beta": pl.Float64,
    "source": pl.String,
}


def _enough(record: Mapping[str, float] | None, least_expected: float) -> Mapping[str, float] | None:
    """The record where it can tell anything: enough calls were to be expected, and there is an interval."""
    if record is None or record["ratio"] is None or record["upper"] is None or record["ratio"] <= 0:
        return None
    return record if record["expected_untreated_calls"] >= least_expected else None


def _moved(prior: Effect, record: Mapping[str, float], factor: float, weight: float) -> Effect:
    """The prior with the record weighed in, on a grid of equally likely shares."""
    shares = stats.beta.ppf((np.arange(_NODES) + 0.5) / _NODES, prior.alpha, prior.beta)
    spread = np.log(record["upper"] / record["ratio"]) / _TWO_SIDED_95
    if record["lower"]:
        spread = np.log(record["upper"] / record["lower"]) / (2 * _TWO_SIDED_95)
    distance = np.log(record["ratio"]) - np.log(np.maximum(1 - factor * shares, 1e-9))
    likelihood = np.exp(-0.5 * weight * (distance / max(spread, 1e-6)) ** 2)
    if not likelihood.sum() > 0:
        return prior
    p = likelihood / likelihood.sum()
    return Effect.of(float(p @ shares), float(p @ shares**2))


def package_effects(effects: pl.DataFrame, package: Package) -> dict[str, Effect]:
    """The effect of a package on each condition it answers: options work one after the other, 1 - prod(1 - effect).

    Conditions that can hold beside a cause are kept apart from it.
    """
    left: dict[str, tuple[float, float]] = {}
    chosen = effects.filter(pl.col("option").is_in(package.names))
    for condition, alpha, beta in chosen.select("condition", "alpha", "beta").iter_rows():
        rest = Effect(beta, alpha)
        mean, square = left.get(condition, (1.0, 1.0))
        left[condition] = (mean * rest.mean, square * rest.square)
    mirrored = {condition: Effect.of(*moments) for condition, moments in left.items()}
    order = {name: place for place, name in enumerate((*CAUSES, *BESIDE))}
    return {name: Effect(mirrored[name].beta, mirrored[name].alpha) for name in sorted(mirrored, key=order.__getitem__)}
