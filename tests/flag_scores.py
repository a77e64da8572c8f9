"""How well flags, forecast and causes of calls agree with what was planted: one row of figures a fleet."""

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import polars as pl
from sklearn.metrics import average_precision_score

COLD_FLAGS = ("head control out", "no head control")


@dataclass(frozen=True)
class Planted:
    """What was planted in a fleet, whoever made it.

    `units`: unit_id, is_logged, logged_from, logged_to, floats. `conditions`: unit_id, flag, began_at, ended_at (null:
    still so). `recurring`: the same for stretches in which the unit would lock out in two spells of a typical winter,
    null where the maker does not say when. `next_winter`: unit_id, calls (mean over winters), spells, calls_1 (of the
    first winter). `calls`: call_id, is_cold.
    """

    units: pl.DataFrame
    conditions: pl.DataFrame
    recurring: pl.DataFrame | None
    next_winter: pl.DataFrame
    calls: pl.DataFrame
    ended: datetime

    def has(self, flag: str, units: pl.Series) -> np.ndarray:
        """Whether each unit has a condition at the data's end."""
        open_now = self.conditions.filter(pl.col("flag") == flag, pl.col("ended_at").is_null())
        return units.is_in(open_now["unit_id"].unique().implode()).to_numpy()

    def had(self, flag: str, units: pl.Series) -> np.ndarray:
        """Whether each unit had a condition at any time."""
        return units.is_in(self.conditions.filter(pl.col("flag") == flag)["unit_id"].unique().implode()).to_numpy()

    def had_logged(self, flag: str, units: pl.Series) -> np.ndarray:
        """Whether each unit had a condition while it was logged."""
        of = self.conditions.filter(pl.col("flag") == flag).join(self.units.filter("is_logged"), on="unit_id")
        both = of.filter(
            pl.col("began_at") < pl.col("logged_to"),
            pl.col("ended_at").fill_null(pl.lit(self.ended)) > pl.col("logged_from"),
        )
        return units.is_in(both["unit_id"].unique().implode()).to_numpy()

    def recurs(self, units: pl.Series) -> np.ndarray:
        """Whether each unit would lock out in two or more spells of a typical winter, as it is at the data's end."""
        spells = self.next_winter.filter(pl.col("spells") >= 2)["unit_id"]
        return units.is_in(spells.implode()).to_numpy()


def average_precision(truth: np.ndarray, score: np.ndarray) -> float:
    """NaN where nothing, or everything, is true."""
    return float(average_precision_score(truth, score)) if 0 < truth.sum() < len(truth) else float("nan")


def calibration_error(truth: np.ndarray, probability: np.ndarray, bins: int = 10) -> float:
    """Expected calibration error: bins of equal width, weighed by their units."""
    place = np.minimum((probability * bins).astype(int), bins - 1)
    gaps = [
        (place == each).mean() * abs(truth[place == each].mean() - probability[place == each].mean())
        for each in range(bins)
        if (place == each).any()
    ]
    return float(sum(gaps))


def probabilities(flags: pl.DataFrame, flag: str, units: pl.Series, column: str = "probability") -> np.ndarray:
    """A flag's probability for each unit, the highest of its circuits, 0 where the table has no row."""
    of = flags.filter(pl.col("flag") == flag).group_by("unit_id").agg(pl.col(column).max())
    joined = pl.DataFrame({"unit_id": units}).join(of, on="unit_id", how="left", maintain_order="left")
    return joined[column].fill_null(0.0).to_numpy()


ENOUGH_COLD_H = 50.0
"""Cold running hours from which readings can show how head pressure is held."""


def figures(tables: dict[str, pl.DataFrame], planted: Planted, served: pl.Series) -> dict[str, float]:
    """Figures of one fleet: `tables` that a run writes, and `circuit_months`; `served`: units in service at the end."""
    flags, logged = tables["flags"], planted.units.filter("is_logged")["unit_id"]
    logged = logged.filter(logged.is_in(served.implode()))
    answer: dict[str, float] = {"units": len(served), "logged": len(logged)}
    recurs, lockout = planted.recurs(served), probabilities(flags, "cold lockout", served)
    answer |= {"recurring share": recurs.mean(), "recurring AP": average_precision(recurs, lockout)}
    answer["recurring ECE"] = calibration_error(recurs, lockout)
    if planted.recurring is not None:
        ever = served.is_in(planted.recurring["unit_id"].unique().implode()).to_numpy()
        answer["recurring ever AP"] = average_precision(
            ever, probabilities(flags, "cold lockout", served, "probability_ever")
        )
    for flag in (*COLD_FLAGS, "lp switch jumpered", "low charge", "condenser fan out", "economizer idle"):
        answer |= _of_flag(flags, planted, flag, served, logged)
    answer |= _false_alarms(flags, planted, served)
    answer |= _reliability(flags, planted, served, logged)
    answer |= _ran_in_cold(tables, planted, logged)
    return answer | _calls(tables["calls"], planted) | _forecast(tables["forecast"], planted, served)


def _of_flag(
    flags: pl.DataFrame, planted: Planted, flag: str, served: pl.Series, logged: pl.Series
) -> dict[str, float]:
    now, probability = planted.has(flag, served), probabilities(flags, flag, served)
    while_logged = planted.had_logged(flag, logged)
    return {
        f"{flag} share": now.mean(),
        f"{flag} AP": average_precision(now, probability),
        f"{flag} ECE": calibration_error(now, probability),
        f"{flag} logged AP": average_precision(while_logged, probabilities(flags, flag, logged, "probability_logged")),
        f"{flag} logged share": while_logged.mean() if len(while_logged) else float("nan"),
    }


def _false_alarms(flags: pl.DataFrame, planted: Planted, served: pl.Series) -> dict[str, float]:
    raised = flags.filter("raised", pl.col("flag").is_in(["head control out"]))["unit_id"].unique()
    out = planted.has("head control out", served)
    sound = served.filter(~pl.Series(out))
    low = planted.has("low charge", sound)
    is_raised = sound.is_in(raised.implode()).to_numpy()
    return {
        "sound raised": is_raised.mean() if len(sound) else float("nan"),
        "low charge raised": is_raised[low].mean() if low.any() else float("nan"),
        "raised right": float(served.filter(pl.Series(out)).is_in(raised.implode()).mean() or 0.0),
    }


def _reliability(flags: pl.DataFrame, planted: Planted, served: pl.Series, logged: pl.Series) -> dict[str, float]:
    """Calibration apart for units with a logger and without."""
    answer = {}
    for name, units in (("logged", logged), ("not logged", served.filter(~served.is_in(logged.implode())))):
        if len(units):
            recurs, lockout = planted.recurs(units), probabilities(flags, "cold lockout", units)
            out = probabilities(flags, "head control out", units)
            answer[f"recurring ECE, {name}"] = calibration_error(recurs, lockout)
            answer[f"head control out ECE, {name}"] = calibration_error(planted.has("head control out", units), out)
    return answer


def _ran_in_cold(tables: dict[str, pl.DataFrame], planted: Planted, logged: pl.Series) -> dict[str, float]:
    """Head-pressure control of units whose loggers saw them run in the cold for long enough."""
    hours = tables["circuit_months"].group_by("unit_id").agg(pl.col("cold_run_h").sum())
    units = logged.filter(logged.is_in(hours.filter(pl.col("cold_run_h") >= ENOUGH_COLD_H)["unit_id"].implode()))
    score = probabilities(tables["flags"], "head control out", units, "probability_logged")
    truth = planted.had_logged("head control out", units)
    return {"head control out ran cold AP": average_precision(truth, score), "ran cold": len(units)}


def _calls(calls: pl.DataFrame, planted: Planted) -> dict[str, float]:
    both = calls.drop_nulls("cold_probability").join(planted.calls, on="call_id")
    truth, probability = both["is_cold"].to_numpy(), both["cold_probability"].to_numpy()
    return {
        "cold calls": truth.sum(),
        "call AP": average_precision(truth, probability),
        "call ECE": calibration_error(truth, probability),
        "call sum": probability.sum(),
    }


def _forecast(forecast: pl.DataFrame, planted: Planted, served: pl.Series) -> dict[str, float]:
    both = pl.DataFrame({"unit_id": served}).join(
        forecast.filter(pl.col("level") == "unit"), on="unit_id", how="left", maintain_order="left"
    )
    both = both.join(planted.next_winter, on="unit_id", how="left", maintain_order="left").fill_null(0)
    expected, came = both["expected_cold_calls"].to_numpy(), both["calls"].to_numpy()
    first = both["calls_1"].to_numpy()
    return {
        "forecast": expected.sum(),
        "forecast true": came.sum(),
        "deviance": poisson_deviance(first, expected),
        "locks out AP": average_precision(first > 0, expected),
    } | _totals(forecast, both.select("unit_id", "calls_1"))


def poisson_deviance(came: np.ndarray, expected: np.ndarray, floor: float = 0.05) -> float:
    """Mean Poisson deviance of counts; what is expected is taken as `floor` at least."""
    mean = np.maximum(expected, floor)
    return float(np.mean(2 * (np.where(came > 0, came * np.log(np.maximum(came, 1e-12) / mean), 0.0) - (came - mean))))


def _totals(forecast: pl.DataFrame, came: pl.DataFrame) -> dict[str, float]:
    """Whether 90 % intervals of the fleet, and of sites that expect more than ten calls, hold what came."""
    unit_sites = forecast.filter(pl.col("level") == "unit").select("unit_id", "site_id")
    by_site = unit_sites.join(came, on="unit_id").group_by("site_id").agg(pl.col("calls_1").sum())
    sites = forecast.filter(pl.col("level") == "site", pl.col("expected_cold_calls") > 10).join(by_site, on="site_id")
    fleet = forecast.filter(pl.col("level") == "fleet")
    inside = sites.select(pl.col("calls_1").is_between("lower_90", "upper_90"))["calls_1"]
    total = came["calls_1"].sum()
    return {
        "fleet inside 90 %": float(fleet["lower_90"][0] <= total <= fleet["upper_90"][0]) if fleet.height else np.nan,
        "sites over 10": float(len(inside)),
        "sites inside 90 %": float(inside.sum()),
    }
