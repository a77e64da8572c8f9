"""Is there a head-pressure control at all? From the unit list, from what was seen, and from checks on site."""

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
import polars as pl

from lowambient import reference

Array = npt.NDArray[np.float64]

SHOWN_BY_NOTES = ("bypass found", "bypass removed", "control reconnected", "control fitted")
SHOWN_BY_READINGS = ("held", "cycling")
HEAD_CONTROL = "head control"


def fitted_probability(units: pl.DataFrame, frames: Mapping[str, pl.DataFrame]) -> Array:
    """Probability that each unit has a head-pressure control, working or not; in the order of `units`.

    `frames`: `flag_calls`, `call_statements`, `head_pressure`, `in_checks`. Weights: `reference/fitted_odds.tsv`. Where
    the list is silent, the share of the listed units of the same duty that have one.
    """
    odds = {row["sign"]: float(row["odds"]) for row in reference.rows("fitted_odds")}
    control = pl.col("head_control").cast(pl.String).fill_null("unknown")
    has = pl.when(control == "unknown").then(None).otherwise(~control.is_in(["none", "floating"])).cast(pl.Float64)
    share = (has.sum().over("duty") + 1) / (has.count().over("duty") + 2)
    listed = units.select(
        odds=pl.when(control == "unknown")
        .then((share / (1 - share)).log())
        .when(has == 1)
        .then(odds["listed"])
        .otherwise(odds["listed none"])
    )["odds"].to_numpy()
    total = np.asarray(listed, dtype=np.float64).copy()
    for sign, seen in _seen(frames).items():
        total += odds[sign] * units["unit_id"].is_in(seen.implode()).to_numpy()
    return np.asarray(1 / (1 + np.exp(-total)))


def cools_in_cold(units: pl.DataFrame) -> Array:
    """Probability that a unit must cool in the cold, by its duty on the list alone; in the order of `units`."""
    duties = [row for row in reference.rows("condition_kinds") if row["kind"] == "duty"]
    share = {row["value"]: 1 - float(row["spared"]) for row in duties}
    duty = units["duty"].cast(pl.String).fill_null("unknown")
    return duty.replace_strict(share, default=share["unknown"], return_dtype=pl.Float64).to_numpy()


def economizer_probability(units: pl.DataFrame) -> Array:
    """Probability that a unit has an economizer, by the unit list; in the order of `units`."""
    odds = {row["sign"]: float(row["odds"]) for row in reference.rows("fitted_odds")}
    listed = pl.col("economizer")
    told = (
        pl.when(pl.col("duty").cast(pl.String) == "refrigeration")
        .then(odds["economizer of a cold store"])
        .when(listed)
        .then(odds["economizer listed"])
        .when(~listed)
        .then(odds["economizer listed none"])
        .otherwise(odds["economizer not told"])
    )
    return np.asarray(1 / (1 + np.exp(-units.select(odds=told)["odds"].to_numpy())))


def _seen(frames: Mapping[str, pl.DataFrame]) -> dict[str, pl.Series]:
    """Units of which notes, readings or checks show something about a control."""
    of_control = pl.col("about").fill_null(HEAD_CONTROL) == HEAD_CONTROL
    stated = frames["call_statements"].filter(
        pl.col("statement").is_in(SHOWN_BY_NOTES), pl.col("probability") >= 0.5, of_control
    )
    noted = frames["flag_calls"].join(stated.select("call_id").unique(), on="call_id", how="semi")["unit_id"].unique()
    read = frames["head_pressure"].filter(pl.col("behaviour").is_in(SHOWN_BY_READINGS))["unit_id"].unique()
    last = frames["in_checks"].sort("checked_at").group_by("unit_id", "flag", maintain_order=True).last()

    def checked(flag: str, verdict: str) -> pl.Series:
        return last.filter(pl.col("flag") == flag, pl.col("verdict") == verdict)["unit_id"].unique()

    return {
        "notes": noted,
        "readings": read,
        "head control out confirmed": checked("head control out", "confirmed"),
        "head control out not found": checked("head control out", "not found"),
        "no head control confirmed": checked("no head control", "confirmed"),
        "no head control not found": checked("no head control", "not found"),
    }
