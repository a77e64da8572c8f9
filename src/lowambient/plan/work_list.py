"""The work list: chosen units with what to check first, and a few drawn at random to show what flags miss."""

from collections.abc import Mapping

import numpy as np
import polars as pl

from lowambient import reference
from lowambient.plan.bids import Fleet
from lowambient.plan.conditions import BESIDE, CONTROL_OUT, ECONOMIZER_IDLE, LOW_CHARGE, LP_JUMPERED, NO_CONTROL
from lowambient.plan.options import CHARGE, ECONOMIZER, LP_SWITCH, RECONNECT, Package
from lowambient.plan.resampling import seed_of

PLANNED, RANDOM = "planned", "drawn at random"

_ASKED = {RECONNECT: CONTROL_OUT, CHARGE: LOW_CHARGE, ECONOMIZER: ECONOMIZER_IDLE, LP_SWITCH: LP_JUMPERED}
_COLUMNS = ("place", "why", "unit_id", "site_id", "site_name", "latitude", "longitude", "description", "flag")


def work_list(
    plan: pl.DataFrame, fleet: Fleet, units: pl.DataFrame, sites: pl.DataFrame, thresholds: Mapping[str, float]
) -> pl.DataFrame:
    """The units to go to.

    Grain: unit. `place`: chosen ones site by site, in the order of the plan's ranks, then those drawn. `why`: `planned`
    or `drawn at random`. Where it is: `site_id`, `site_name`, `latitude`, `longitude`, `description`. `flag`: to be
    looked at first, `first_check`: how, `bring`: with what. `package`, `make_sure_of`, `after_check`, `crew_h`, `cost`
    as in the plan; empty for a unit drawn at random, which is there to be looked at.

    `random_checks` units are drawn from those in service that are not chosen, with a seed from the fleet's own content.
    """
    chosen = plan.filter("selected").sort("rank")
    in_site_order = chosen.with_columns(pl.col("rank").min().over("site_id").alias("site_rank")).sort(
        "site_rank", "rank"
    )
    needs = {package.name: package.needs for package in fleet.packages}
    planned = in_site_order.select(
        "unit_id",
        pl.lit(PLANNED).alias("why"),
        pl.col("option").alias("package"),
        pl.col("option").replace_strict(needs, default=None, return_dtype=pl.String).alias("make_sure_of"),
        "after_check",
        "crew_h",
        "cost",
    )
    drawn = _drawn(fleet, set(chosen["unit_id"]), round(thresholds["random_checks"]))
    both = pl.concat([planned, drawn], how="diagonal").with_row_index("place", offset=1)
    flags = _asked(fleet, both)
    checks = pl.DataFrame(reference.rows("flag_checks")).select("flag", pl.col("check").alias("first_check"), "bring")
    return (
        both.with_columns(pl.col("place").cast(pl.Int64), pl.Series("flag", flags, dtype=pl.String))
        .join(units.select("unit_id", "site_id", "description"), on="unit_id", how="left", maintain_order="left")
        .join(_where(sites), on="site_id", how="left", maintain_order="left")
        .join(checks, on="flag", how="left", maintain_order="left")
        .select(*_COLUMNS, "first_check", "bring", "package", "make_sure_of", "after_check", "crew_h", "cost")
    )


def _where(sites: pl.DataFrame) -> pl.DataFrame:
    there = [name for name in ("name", "latitude", "longitude") if name in sites.columns]
    missing = [pl.lit(None, dtype=kind).alias(name) for name, kind in _PLACE.items() if name not in there]
    return sites.select("site_id", *there, *missing).rename({"name": "site_name"})


_PLACE = {"name": pl.String, "latitude": pl.Float64, "longitude": pl.Float64}


def _drawn(fleet: Fleet, chosen: set[str], count: int) -> pl.DataFrame:
    facts = fleet.facts.filter(pl.col("still_served"), ~pl.col("unit_id").is_in(list(chosen))).select("unit_id")
    random = np.random.Generator(np.random.PCG64(seed_of(fleet.facts.select("unit_id", "site_id"))))
    places = random.permutation(facts.height)[:count]
    return facts[sorted(int(place) for place in places)].with_columns(pl.lit(RANDOM).alias("why"))


def _asked(fleet: Fleet, rows: pl.DataFrame) -> list[str]:
    """The flag to look at first: what the package answers, else what is likeliest."""
    place = {unit: at for at, unit in enumerate(fleet.facts["unit_id"])}
    by_name = {package.name: package for package in fleet.packages}
    return [
        _flag(fleet, place[unit], by_name.get(name)) for unit, name in rows.select("unit_id", "package").iter_rows()
    ]


def _flag(fleet: Fleet, unit: int, package: Package | None) -> str:
    if package is not None:
        for option, flag in _ASKED.items():
            if option in package.names and len(package.names) == 1:
                return flag
    heads = (CONTROL_OUT, NO_CONTROL)
    likely = heads if package is not None and package.lowest_ambient_c is not None else (*heads, LOW_CHARGE, *BESIDE)
    return max(likely, key=lambda flag: float(fleet.known.of(flag)[unit]))
