"""Frames of a retrofit plan for tests of the page on next winter: invented, drawn, passing the schemas."""

import numpy as np
import polars as pl

PACKAGES = ("pre-season check", "fan-cycling control", "fan-speed control + wind baffles")
BUDGET, CREW_H = 9_000.0, 80.0
REASONS = (
    "No hour of a typical winter is cold for it while cooling can be wanted.",
    "It holds down to 35 °F (2 °C), and 73 % of the cold hours lie below its limit.",
    "It holds down to 35 °F (2 °C), and 8 % of the cold hours lie below its limit.",
)
_SUMS = ("cost", "crew_h", "avoided_calls_per_winter", "avoided_cost_contractor", "avoided_cost_customer")


def plan_frames(unit_ids: list[str], site_of: list[str], names: tuple[str, ...] = ()) -> dict[str, pl.DataFrame]:
    """Every package on every fourth unit, the first one chosen on each; `names` stand in free texts."""
    rng = np.random.default_rng(23)
    plan = _plan(unit_ids[::4], site_of[::4], names, rng)
    chosen = plan.filter("selected")
    return {
        "plan": plan,
        "plan_summary": _summary(chosen, names),
        "budget_curve": _curve(chosen),
        "plan_sensitivity": _sensitivity(chosen, names),
        "option_fit": _fit(unit_ids, names),
        "option_effects": _effects(names),
        "plan_assumptions": _assumptions(names),
        "backtest": _backtest(),
    }


def _plan(units: list[str], sites: list[str], names: tuple[str, ...], rng: np.random.Generator) -> pl.DataFrame:
    rows = []
    for at, (unit, site) in enumerate(zip(units, sites, strict=True)):
        for place, option in enumerate(PACKAGES):
            avoided = float(rng.gamma(1.5, 1.0))
            rows.append(
                {
                    "unit_id": unit,
                    "site_id": site,
                    "option": option,
                    "cost": 300.0 + 450 * place + at,
                    "crew_h": 2.5 + 3 * place,
                    "drives": True,
                    "avoided_calls_per_winter": avoided,
                    "lower_90": 0.3 * avoided,
                    "upper_90": 2.2 * avoided,
                    "avoided_cost_contractor": 210.0 * avoided if at % 2 else 0.0,
                    "avoided_cost_customer": 390.0 * avoided,
                    "probability_pays_back": (0.0, 0.004, 0.5, 0.93, 0.998, 1.0)[at % 6],
                    "after_check": names[at % len(names)] if names else "nothing found: winter-start delay",
                    "worth_it": True,
                    "selected": place == at % len(PACKAGES),
                }
            )
    frame = pl.DataFrame(rows).sort("selected", "avoided_calls_per_winter", descending=True)
    return frame.with_columns(
        rank=pl.int_range(1, pl.len() + 1, dtype=pl.Int64), value_of_information=pl.lit(None, pl.Float64)
    )


def _figures(chosen: pl.DataFrame, share: float) -> dict[str, float | int]:
    sums = {name: share * float(chosen[name].sum()) for name in _SUMS}
    value = sums["avoided_calls_per_winter"]
    units = round(share * chosen.height)
    return {"units": units, "sites": min(units, 3), **sums, "value": value, "bound": value * 1.0004, "gap": 0.0004}


def _summary(chosen: pl.DataFrame, names: tuple[str, ...]) -> pl.DataFrame:
    total = float(chosen["avoided_calls_per_winter"].sum())
    told = {
        **_figures(chosen, 1.0),
        "avoided_lower_90": 0.4 * total,
        "avoided_upper_90": 1.9 * total,
        "budget": BUDGET,
        "crew_h_limit": CREW_H,
    }
    rows = [(name, float(value), f"meaning of {name}") for name, value in told.items()]
    rows += [(f"doubt {at}", None, text) for at, text in enumerate(names or ("Little is known.",), 1)]
    return pl.DataFrame(rows, schema={"fact": pl.String, "value": pl.Float64, "meaning": pl.String}, orient="row")


def _curve(chosen: pl.DataFrame) -> pl.DataFrame:
    shares = (0.0, 0.1, 0.4, 0.8, 1.0)
    return pl.DataFrame(
        [
            {"budget": BUDGET * share, "is_given": share == 1.0, **_figures(chosen, float(np.sqrt(share)))}
            for share in shares
        ]
    )


def _sensitivity(chosen: pl.DataFrame, names: tuple[str, ...]) -> pl.DataFrame:
    shares = {"as taken": 1.0, "a call costs half": 0.6, "a call costs double": 1.0, **dict.fromkeys(names, 0.8)}
    return pl.DataFrame(
        [
            {
                "scenario": name,
                **_figures(chosen, share),
                "kept_share": share,
                "still_worth_share": share,
                "value_of_plan": 10 * share,
                "loss_share": 0.004 if share < 1 else 0.0,
            }
            for name, share in shares.items()
        ]
    )


def _fit(unit_ids: list[str], names: tuple[str, ...]) -> pl.DataFrame:
    rows = [(unit, "do nothing", True, None) for unit in unit_ids]
    for at, unit in enumerate(unit_ids):
        reason = names[at] if at < len(names) else REASONS[at % len(REASONS)]
        rows += [(unit, option, at % 4 == 0, None if at % 4 == 0 else reason) for option in PACKAGES]
    kinds = {"unit_id": pl.String, "option": pl.String, "fits": pl.Boolean, "reason": pl.String}
    return pl.DataFrame(rows, schema=kinds, orient="row")


def _effects(names: tuple[str, ...]) -> pl.DataFrame:
    rows = [
        (option, "head control out", 0.8, 8.0, 2.0, "control fitted", 33, 0.157, 0.068, 0.352, 0.856, 11.2, 1.9, source)
        for option, source in zip(PACKAGES, (*names, "judgement", "judgement", "judgement"), strict=False)
    ]
    columns = "option condition prior_mean prior_alpha prior_beta work repairs ratio lower upper mean alpha beta source"
    return pl.DataFrame(rows, schema=columns.split(), orient="row")


def _assumptions(names: tuple[str, ...]) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "name": ["truck_roll", "call_parts", "outage_cost_per_h"],
            "value": [95.0, 61.29, 0.0],
            "unit": ["currency/visit", "currency/call", "currency/h"],
            "standing": ["profile", "fleet's own calls", "assumed"],
            "source": [*names, "profile, [costs]", "of 739 calls", "judgement: nothing is counted"][:3],
        }
    )


def _backtest() -> pl.DataFrame:
    return pl.DataFrame(
        {
            "winter": ["2015-16", "2016-17", "2017-18"],
            "units": [50, 55, 60],
            "expected": [30.5, 26.25, 22.0],
            "lower_90": [15.0, 12.0, 10.0],
            "upper_90": [52.0, 45.0, 41.0],
            "expected_given_weather": [28.0, 25.5, 21.0],
            "came": [33, 61, 10],
            "deviance": [1.2, 1.1, 1.0],
            "deviance_last_winter": [2.2, 2.1, 2.0],
            "deviance_all_time": [2.3, 2.2, 2.1],
        }
    )
