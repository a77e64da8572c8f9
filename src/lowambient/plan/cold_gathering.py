"""Whether the low-pressure episodes of a unit gather in its cold hours more than chance would have it."""

from collections.abc import Mapping

import numpy as np
import polars as pl
from scipy import stats

from lowambient.plan.proportions import exact_interval
from lowambient.plan.rates import benjamini_hochberg

FALSE_DISCOVERIES = 0.05
"""Share of false ones allowed among the units said to gather (Benjamini & Hochberg 1995 use the same)."""


def cold_gathering(counts: pl.DataFrame, thresholds: Mapping[str, float]) -> pl.DataFrame:
    """The table `cold_gathering`, grain unit.

    `counts`, as the mart `cold_counts`: unit_id, episodes, cold_episodes, cold_hours, demand_hours [h].

    If episodes came evenly over a unit's hours of possible demand, then, given how many there were, those in the cold
    were binomial with probability cold_hours / demand_hours: no other unit and no fleet rate enters. `expected_share`
    is that probability; `ratio`: cold episodes over those it lets expect; `lower`, `upper`: its exact 95 % interval
    (Clopper-Pearson, two-sided); `p`: of as many cold episodes or more by chance, the exact upper tail, without the
    mid-p correction, so that it errs towards chance; `adjusted_p`: Benjamini-Hochberg over the units tested;
    `gathers`: adjusted p at most `FALSE_DISCOVERIES`.

    Not tested, with p, adjusted_p and gathers null: units with fewer than `least_gathering_episodes` episodes, and
    those whose episodes, all being cold, could still be chance (expected_share to the power of episodes over
    `FALSE_DISCOVERIES`): they could only thin out the others. Ratio and interval are null without episodes, or where
    no hour or every hour is cold. Sources: Przyborowski & Wilenski 1940, Biometrika 31, 313-323 (the conditional
    test); Tarone 1990, Biometrics 46, 515-522 (leaving out tests that cannot reject).
    """
    episodes, cold, cold_h, hours = (
        counts[name].cast(pl.Float64).to_numpy() for name in ("episodes", "cold_episodes", "cold_hours", "demand_hours")
    )
    share = np.divide(cold_h, hours, out=np.full(len(hours), np.nan), where=hours > 0)
    known = (episodes > 0) & (share > 0) & (share < 1)
    lower, upper = exact_interval(cold, episodes)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = cold / episodes / share
        lower, upper = lower / share, upper / share
        could_tell = share**episodes <= FALSE_DISCOVERIES
    tested = known & could_tell & (episodes >= thresholds["least_gathering_episodes"])
    p = np.where(tested, stats.binom.sf(cold - 1, episodes, np.where(known, share, 0.5)), np.nan)
    adjusted = np.full(len(p), np.nan)
    if tested.any():
        adjusted[tested] = benjamini_hochberg(p[tested])

    def column(name: str, values: np.ndarray, kept: np.ndarray, digits: int) -> pl.Series:
        return pl.Series(name, np.where(kept, values, np.nan), dtype=pl.Float64, nan_to_null=True).round(digits)

    return counts.select(
        "unit_id",
        "episodes",
        "cold_episodes",
        "cold_hours",
        "demand_hours",
        column("expected_share", share, hours > 0, 4),
        column("ratio", ratio, known, 4),
        column("lower", lower, known, 4),
        column("upper", upper, known, 4),
        column("p", p, tested, 6),
        column("adjusted_p", adjusted, tested, 6),
        pl.Series("gathers", adjusted <= FALSE_DISCOVERIES).set(pl.Series(~tested), None),
    )
